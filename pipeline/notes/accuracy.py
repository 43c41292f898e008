"""How right notes are read in this practice: what was read against what a person found in a sample of them."""

import polars as pl

from pipeline.practice.tables import DETAIL_TABLES
from pipeline.results.notes import FieldRead, NotesRead
from pipeline.stats.clustered import clustered_share

_NOTE = ["patient_id", "note_date", "tooth_fdi"]


def notes_read(values: pl.DataFrame, checks: pl.DataFrame, *, confidence: float) -> NotesRead | None:
    """Counts of what was read and, by field, how right it is; None without notes.

    - `values`: `note_values` as declared.
    - `checks`: `note_checks` as declared: of a note drawn by chance, a row for each field of which a person wrote
      something.

    Returns by field the positive predictive value (of what was read the share that is so) and the sensitivity (of what
    the chart says the share that was read so). Limits are those of `clustered_share`, by patient. A value that was read
    wrongly, where the chart says another, counts against both. `cannot tell` counts for neither.
    """
    if values.is_empty():
        return None
    counted = dict(values.group_by("outcome").len().sort("outcome").rows())
    judged = _judged(checks)
    fields = []
    for table, declared in DETAIL_TABLES.items():
        for name in declared.columns:
            of = judged.filter(pl.col("field") == name)
            if of.height:
                fields.append(_field(table, name, of, confidence))
    return NotesRead(
        values=values.height,
        sure=int(values["sure"].sum()),
        used=counted.get("used", 0),
        agree=counted.get("recorded", 0),
        differ=counted.get("differs", 0),
        open=counted.get("unsure", 0) + counted.get("no_tooth", 0),
        checked=judged.select(_NOTE).n_unique(),
        fields=tuple(fields),
    )


def _judged(checks: pl.DataFrame) -> pl.DataFrame:
    """Each row that says something: `read`, something was; `is_so`, it is; `there`, the chart says something."""
    read = pl.col("value").is_not_null()
    yes, no = ((pl.col("agreed") == w).fill_null(False) for w in ("yes", "no"))
    other = pl.col("chart_value").is_not_null() & (pl.col("chart_value") != pl.col("value")).fill_null(True)
    there = (yes & read) | other
    rows = checks.filter(pl.col("agreed").is_null() | (pl.col("agreed") != "cannot tell"), (read & (yes | no)) | there)
    return rows.with_columns(read=read, is_so=read & yes & ~other, there=there)


def _field(table: str, name: str, of: pl.DataFrame, confidence: float) -> FieldRead:
    read, there = of.filter("read"), of.filter("there")
    ppv = clustered_share(read["is_so"], read["patient_id"], confidence=confidence) if read.height else None
    sens = clustered_share(there["is_so"], there["patient_id"], confidence=confidence) if there.height else None
    return FieldRead(
        table=table,
        field=name,
        read=read.height,
        right=int(read["is_so"].sum()),
        there=there.height,
        predictive_value=ppv.share if ppv else None,
        predictive_low=ppv.low if ppv else None,
        predictive_high=ppv.high if ppv else None,
        sensitivity=sens.share if sens else None,
        sensitivity_low=sens.low if sens else None,
        sensitivity_high=sens.high if sens else None,
    )
