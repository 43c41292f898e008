# ruff: noqa: E501
"""What notes of the invented practice should give, by field, from its detail files."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.fields import NOTE_FIELDS
from synthetic_data.details import MARGIN, MATERIAL, POST, PULP, YES_NO
from synthetic_data.practice_toml import COLUMNS
from tests.notes.judge import Tally, same

_DAYS = {"endo_details": ("Date",), "crown_details": ("Prep", "Seat"), "findings": ("Exam",)}
_WORDS = {"material": MATERIAL, "margin": MARGIN, "post": POST, "pulp_status_at_prep": PULP,
          "irrigant_activation": YES_NO, "rubber_dam": YES_NO, "symptomatic": YES_NO, "crown_in_place": YES_NO}  # fmt: skip
_NOT_SAID = {("symptomatic", None)}


def written_truth(directory: Path) -> pl.DataFrame:
    """`patient_id, note_date (as written), tooth (as written), field, value` of every filled cell of the detail files."""
    found = []
    for table, days in _DAYS.items():
        rows = pl.read_csv(directory / f"{table}.csv", infer_schema=False)
        if "Reading No" in rows.columns:
            rows = rows.filter(pl.col("Reading No") == "1")
        for row in rows.iter_rows(named=True):
            day = next((row[d] for d in days if row[d]), None)
            for field, heading in COLUMNS[table].items():
                if field in NOTE_FIELDS and NOTE_FIELDS[field] == table and day and row.get(heading):
                    value = _WORDS.get(field, {}).get(row[heading], row[heading].replace(" ", "_"))
                    value = {"normal_pulp": "normal", "pulp_necrosis": "necrosis"}.get(value, value)
                    found.append((row["Chart No"], day, row["Th"], field, value))
    schema = ["patient_id", "day", "tooth", "field", "value"]
    return pl.DataFrame(found, schema=schema, orient="row")


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
