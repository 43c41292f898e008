"""The sheets "from notes" and "check against charts": values of chart notes to confirm, and a sample to check."""

import hashlib

import polars as pl

from pipeline.practice.fields import NOTE_FIELDS
from pipeline.reading.sources.excel_file import ALREADY_KNOWN
from pipeline.reading.worksheets.technique import Listing, as_written

SAMPLE = 60  # notes; the sample of a practice stays the same as long as its notes do
MOST_ASKED = 2000  # lines; what is answered teaches, so that the next sheet is shorter
_NOTE = ["patient_id", "note_date", "tooth_fdi"]
_SHOWN = ("field", "value", "evidence", "times", "agreed", "chart_value")


def values_to_confirm(values: pl.DataFrame, written_ids: pl.DataFrame, *, notation: str) -> Listing:
    """Values that are not sure, or whose tooth nobody says, each with the words that it was read from. The same words
    of a field with the same reading are asked about once, at their newest note, with how often they stand (`times`):
    the answer holds for all. Those that stand most often come first. `values` is `note_values`."""
    open_ones = values.filter(pl.col("outcome").is_in(["unsure", "no_tooth"]))
    words = pl.col("evidence").str.to_lowercase().str.replace_all(r"\s+", " ")
    no_tooth = pl.when(pl.col("outcome") == "no_tooth").then(pl.int_range(pl.len()))  # each has a tooth of its own
    first = (
        open_ones.with_columns(words=words, each=no_tooth, times=pl.lit(1))
        .sort(
            "note_date", "patient_id", "tooth_fdi", "start_at", descending=[True, False, False, False], nulls_last=True
        )
        .group_by("field", "words", "value", "each", maintain_order=True)
        .agg(*(pl.col(c).first() for c in (*_NOTE, "evidence")), times=pl.len())
        .sort("times", "note_date", "field", "words", "patient_id", descending=[True, True, False, False, False])
        .head(MOST_ASKED)
    )
    return _listed(first, written_ids, notation)


def values_that_differ(values: pl.DataFrame, written_ids: pl.DataFrame, *, notation: str) -> Listing:
    """Values of notes that say something else than what is recorded, newest first: to look at, not to fill in."""
    rows = values.filter(pl.col("outcome") == "differs").sort(
        "note_date", "patient_id", "tooth_fdi", "field", "start_at", descending=[True, False, False, False, False]
    )
    listed = _listed(rows.with_columns(times=pl.lit(1)), written_ids, notation)
    return Listing(listed.rows.drop("times", "agreed", "chart_value"), listed.without_id)


def sample_to_check(values: pl.DataFrame, written_ids: pl.DataFrame, *, notation: str) -> Listing:
    """A sample of notes by chance, stratified by field: for each a line for every field that such notes can tell.
    Fields take turns, rarest first, each adding a note that tells it, until there are `SAMPLE`. Which one is drawn is
    decided by a digest of note and field, so that the sample is the same however the rows lie."""
    sure = values.filter("sure", pl.col("tooth_fdi").is_not_null())
    if sure.is_empty():
        return Listing(_listed(_nothing(), written_ids, notation).rows, 0)
    units = sure.select(*_NOTE, "field").unique().sort(*_NOTE, "field")
    rank = units.select(pl.struct(*_NOTE, "field").map_elements(_lot, return_dtype=pl.String)).to_series()
    drawn = units.with_columns(lot=rank).sort("field", "lot").with_columns(turn=pl.int_range(pl.len()).over("field"))
    drawn = drawn.with_columns(often=pl.len().over("field")).sort("turn", "often", "field")
    chosen = drawn.select(_NOTE).unique(maintain_order=True).head(SAMPLE).with_row_index("place")
    tables = sure.select("table_name", "field").unique()
    told = chosen.join(sure.select(*_NOTE, "table_name").unique(), on=_NOTE)
    every = told.join(tables, on="table_name")
    read = sure.select(*_NOTE, "field", "value", "evidence").unique(
        [*_NOTE, "field"], keep="first", maintain_order=True
    )
    rows = every.join(read, on=[*_NOTE, "field"], how="left").with_columns(times=pl.lit(1))
    order = {name: n for n, name in enumerate(NOTE_FIELDS)}
    rows = rows.with_columns(nth=pl.col("field").replace_strict(order, return_dtype=pl.Int64))
    return _listed(rows.sort("place", pl.col("value").is_null(), "nth"), written_ids, notation)


def _lot(note: dict[str, object]) -> str:
    return hashlib.sha256("|".join(str(v) for v in note.values()).encode()).hexdigest()


def _nothing() -> pl.DataFrame:
    return pl.DataFrame(
        schema={"patient_id": pl.String(), "note_date": pl.Date(), "tooth_fdi": pl.UInt8(), "field": pl.String(),
                "value": pl.String(), "evidence": pl.String(), "times": pl.Int64()}
    )  # fmt: skip


def _listed(rows: pl.DataFrame, written_ids: pl.DataFrame, notation: str) -> Listing:
    known = [
        pl.format("{} {}", pl.lit(name), pl.col(name).cast(pl.String))
        for name in ("note_date", "field", "value", "evidence")
    ]
    listed = as_written(rows, written_ids, notation).filter(pl.col("written_id").is_not_null())
    empty = (pl.lit(None, pl.String).alias(n) for n in ("agreed", "chart_value"))
    shown = listed.with_columns(
        *empty, pl.concat_str(known, separator="; ", ignore_nulls=True).alias(ALREADY_KNOWN)
    ).select(pl.col("written_id").alias("patient_id"), "tooth", "note_date", *_SHOWN, ALREADY_KNOWN)
    return Listing(shown, rows.height - listed.height)
