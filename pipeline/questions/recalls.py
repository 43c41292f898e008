"""Radiographic success of root canals at recall, beside how many came back to be seen.

A success rate is one of teeth that were recalled. Who comes back differs from who does not, so each line says how many
were due and how many of them were seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.results import NotRun, RecallRow
from pipeline.stats.clustered_share import clustered_share
from pipeline.transforms.failures import radiographic_success

ID, TITLE = "radiographic_success", "Radiographic success at recall"
NOT_RECORDED = "not recorded"
BY = (("tooth_group", "tooth group"), ("provider_id", "clinician"))


@dataclass(frozen=True)
class Recalls:
    """Lines of the recall table, or why there are none."""

    rows: tuple[RecallRow, ...]
    not_run: tuple[NotRun, ...]
    notes: tuple[str, ...]


def recall_rows(
    courses: pl.DataFrame,
    findings: pl.DataFrame,
    *,
    recall_months: int = 12,
    min_recalled: int = 10,
    confidence: float = 0.95,
) -> Recalls:
    """Success by the periapical index, for all completed courses, by tooth group and by clinician.

    Lines are named `all`, `tooth group: molar`, `clinician: ...`, in order of their name within a kind.

    - `completed`: completed courses. `due`: those followed for at least `recall_months` calendar months.
    - `recalled`: those with a film that late on which symptoms were noted too. A film without that note is no recall
      here, whatever it shows: to count the failures among such films and not the successes would bend the share.
    - `success`: share of those recalled; None if fewer than `min_recalled`. Its limits let the teeth of one patient be
      alike. `patients`: of those recalled.

    Where no finding has a PAI, or none with one says whether there were symptoms, `not_run` names the field.
    """
    films = findings.filter(pl.col("pai").is_not_null())
    lacking = "findings.pai" if films.is_empty() else "findings.symptomatic"
    if films["symptomatic"].null_count() == films.height:
        return Recalls((), (NotRun(ID, TITLE, (lacking,)),), ())
    seen = radiographic_success(courses, findings, recall_months=recall_months)
    late = pl.col("completed").dt.offset_by(f"{recall_months}mo")
    rows = (
        courses.filter(pl.col("completed").is_not_null())
        .join(seen, on="course_id", how="left", maintain_order="left")
        .with_columns(due=pl.col("exit_date") >= late, judged=pl.col("symptomatic").is_not_null())
        .sort("course_id")
    )
    lines = [_line("all", rows, min_recalled, confidence)] if rows.height else []
    for column, words in BY:
        if rows[column].null_count() < rows.height:
            lines += [_line(f"{words}: {name}", part, min_recalled, confidence) for name, part in _parts(rows, column)]
    unsaid = rows.filter(pl.col("recall_date").is_not_null(), ~pl.col("judged")).height
    notes = (f"{unsaid} recall films without a note on symptoms are not counted.",) if unsaid else ()
    return Recalls(tuple(lines), (), notes)


def _parts(rows: pl.DataFrame, column: str) -> list[tuple[str, pl.DataFrame]]:
    labelled = rows.with_columns(line=pl.col(column).fill_null(NOT_RECORDED))
    parts = {str(key[0]): part for key, part in labelled.partition_by("line", as_dict=True).items()}
    order = ["anterior", "premolar", "molar"] if column == "tooth_group" else sorted(parts)
    return [(name, parts[name]) for name in order if name in parts]


def _line(name: str, rows: pl.DataFrame, min_recalled: int, confidence: float) -> RecallRow:
    recalled = rows.filter("judged")
    share = None
    if recalled.height >= max(min_recalled, 1):
        share = clustered_share(recalled["success"].to_numpy(), recalled["patient_id"], confidence=confidence)
    return RecallRow(
        name=name,
        completed=rows.height,
        due=int(rows["due"].sum()),
        recalled=recalled.height,
        patients=recalled["patient_id"].n_unique(),
        successes=int(recalled["success"].sum()),
        success=share.share if share else None,
        ci_low=share.low if share else None,
        ci_high=share.high if share else None,
    )
