# ruff: noqa: E501
"""What notes of the invented practice should give, by field, from its detail files."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.practice.fields import NOTE_FIELDS
from synthetic_data.details import MARGIN, MATERIAL, POST, PULP, YES_NO
from synthetic_data.practice_toml import COLUMNS
from tests.notes.judge import Tally, same

_DAYS = {"endo_details": "Date", "crown_details": "Prep", "findings": "Exam"}
_WORDS = {"material": MATERIAL, "margin": MARGIN, "post": POST, "pulp_status_at_prep": PULP,
          "irrigant_activation": YES_NO, "rubber_dam": YES_NO, "symptomatic": YES_NO, "crown_in_place": YES_NO}  # fmt: skip


def written_truth(directory: Path) -> pl.DataFrame:
    """`patient_id, note_date (as written), tooth (as written), field, value` of every filled cell of the detail files."""
    found = []
    for table in _DAYS:
        rows = pl.read_csv(directory / f"{table}.csv", infer_schema=False)
        if "Reading No" in rows.columns:
            rows = rows.filter(pl.col("Reading No") == "1")
        for row in rows.iter_rows(named=True):
            for field, heading in COLUMNS[table].items():
                if field not in NOTE_FIELDS or NOTE_FIELDS[field] != table or not row.get(heading):
                    continue
                value = _WORDS.get(field, {}).get(row[heading], row[heading].replace(" ", "_"))
                value = {"normal_pulp": "normal", "pulp_necrosis": "necrosis"}.get(value, value)
                for day in (row[d] for d in _days(table, field, row)):
                    if day:
                        found.append((row["Chart No"], day, row["Th"], field, value))
    schema = ["patient_id", "day", "tooth", "field", "value"]
    return pl.DataFrame(found, schema=schema, orient="row")


def _days(table: str, field: str, row: dict[str, str | None]) -> tuple[str, ...]:
    """The columns with the days of the notes that tell a field: a cement on the day of the seat, a material on both."""
    if field == "cement":
        return ("Seat",)
    return ("Prep", "Seat") if field == "material" and row["Cement"] else (_DAYS[table],)


def tallies(truth: pl.DataFrame, read: pl.DataFrame) -> dict[str, Tally]:
    """By field, sure values of notes against the truth; `read` as `truth`, with `sure`."""
    key = ["patient_id", "day", "tooth", "field"]
    both = truth.unique(key, keep="first", maintain_order=True).join(
        read.unique(key, keep="first", maintain_order=True), on=key, how="full", coalesce=True, suffix="_read"
    )
    found: dict[str, Tally] = {}
    for field, value, got, sure in both.select("field", "value", "value_read", "sure").iter_rows():
        tally = found.setdefault(field, Tally())
        tally.told += value is not None
        right = same(got, value)
        tally.right += bool(sure) and right
        tally.wrong += bool(sure) and not right
        tally.found_unsure += right and not sure
    return found
