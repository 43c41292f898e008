"""Tables drawn as text: bar-separated columns, an empty cell is null. Types follow the column's name."""

from __future__ import annotations

import datetime as dt

import polars as pl

from pipeline.practice.tables import CROWN_DETAILS, CROWNS, ELSEWHERE, ENDO_COURSES, FINDINGS, PATIENTS, PROCEDURES

_TYPES: dict[str, pl.DataType] = {}
for _table in (ENDO_COURSES, CROWNS, PATIENTS, CROWN_DETAILS, FINDINGS, ELSEWHERE, PROCEDURES):
    _TYPES |= _table.schema  # type: ignore[arg-type]
_DATE_NAMES = {
    "posted_first",
    "posted_last",
    "seen_date",
    "in_place_from",
    "gap_seen",
    "last_seen_with_tooth",
    "failed",
    "counted_to",
    "end_at",
    "filled_seen",
    "extracted",
    "first_seen",
    "followup_end",
    "since",
    "recall_date",
    "seen",
    "day",
    "opened",
    "last_row",
}


def _cell(name: str, text: str) -> object:
    if text == "":
        return None
    dtype = _TYPES.get(name, pl.Date() if name in _DATE_NAMES else None)
    if dtype == pl.Date():
        return dt.date.fromisoformat(text)
    if dtype == pl.Boolean() or text in ("true", "false"):
        return text == "true"
    if dtype is not None and dtype.is_numeric():
        return float(text) if dtype.is_float() else int(text)
    if dtype is None and text.lstrip("-").isdigit():
        return int(text)
    return text


def frame(text: str, **constant: object) -> pl.DataFrame:
    """One table. Columns given as keywords are added to every row."""
    lines = [line.strip() for line in text.strip().splitlines() if line.strip() and not line.strip().startswith("#")]
    names = [name.strip() for name in lines[0].split("|")]
    rows = [[cell.strip() for cell in line.split("|")] for line in lines[1:]]
    columns: dict[str, pl.Series] = {}
    for i, name in enumerate(names):
        values = [_cell(name, row[i] if i < len(row) else "") for row in rows]
        dtype = _TYPES.get(name, pl.Date() if name in _DATE_NAMES else None)
        if dtype == pl.String() and any(isinstance(value, bool) for value in values):
            dtype = pl.Boolean()  # `event` is a word in the table `elsewhere`, and a Boolean in survival data
        columns[name] = pl.Series(name, values, dtype=dtype)
    out = pl.DataFrame(columns)
    for name, value in constant.items():
        out = out.with_columns(pl.lit(value, dtype=_TYPES.get(name)).alias(name))
    return out


def procedures(text: str, *, patient_id: str = "p1") -> pl.DataFrame:
    """Rows of the `procedures` table with only the columns that matter drawn; status is completed unless drawn."""
    drawn = frame(text)
    if "patient_id" not in drawn.columns:
        drawn = drawn.with_columns(patient_id=pl.lit(patient_id))
    if "status" not in drawn.columns:
        drawn = drawn.with_columns(status=pl.lit("completed"))
    drawn = drawn.with_columns(
        pl.col("status").fill_null("completed"),
        load_id=pl.lit(1, pl.Int32),
        row_number=pl.int_range(1, pl.len() + 1, dtype=pl.Int64),
        part=pl.lit(1, pl.UInt8),
    )
    if "supernumerary" not in drawn.columns:
        drawn = drawn.with_columns(supernumerary=pl.lit(False))
    for name, dtype in PROCEDURES.schema.items():
        if name not in drawn.columns:
            drawn = drawn.with_columns(pl.lit(None, dtype=dtype).alias(name))
    extra = [c for c in drawn.columns if c not in PROCEDURES.schema]
    return drawn.select([pl.col(n).cast(d) for n, d in PROCEDURES.schema.items()] + extra)


def table(text: str, declared: object, **constant: object) -> pl.DataFrame:
    """Rows of a declared table with only the columns that matter drawn; the others are null (or given as keywords)."""
    drawn = frame(text, **constant).with_columns(
        load_id=pl.lit(1, pl.Int32), row_number=pl.int_range(1, pl.len() + 1, dtype=pl.Int64)
    )
    schema = declared.schema  # type: ignore[attr-defined]
    defaults = {"patient_id": "p1", "supernumerary": False, "part": 1}
    for name, dtype in schema.items():
        if name not in drawn.columns:
            drawn = drawn.with_columns(pl.lit(defaults.get(name), dtype=dtype).alias(name))
    return drawn.select(pl.col(n).cast(d) for n, d in schema.items())
