"""Which of the rows that look alike are the same row loaded twice.

Exports overlap: last year's file and this year's share months. A row must count once, but two identical rows in one
file may be two genuine things (two fillings, a row and its re-posting), so identity alone does not decide.
"""

from __future__ import annotations

import polars as pl

VERDICT_SCHEMA: dict[str, pl.DataType] = {
    "load_id": pl.Int32(),
    "row_number": pl.Int64(),
    "part": pl.UInt8(),
    "verdict": pl.String(),
}
# Columns that name the thing a row is about; a later row with the same values replaces the earlier one. A group of
# clinics may number its procedures per clinic, so the clinic belongs to the key.
SOURCE_KEYS: dict[str, tuple[str, ...]] = {"procedures": ("procedure_id", "site_id"), "patients": ("patient_id",)}
# Tables in which one file may hold identical rows that are different things.
REPEATS_ALLOWED = frozenset({"procedures"})


def deduplicate(rows: pl.DataFrame, *, table: str, new_loads: list[int]) -> pl.DataFrame:
    """Decide on rows that share a key or their whole content.

    `rows` holds `load_id, row_number, part, key, content`: `key` is null where the source gives none, `content`
    is equal for rows that are equal in every field. Loads not in `new_loads` were settled before: their rows stand.

    Returns `load_id, row_number, part, verdict` of the rows that go: `duplicate` (it is there already) or
    `superseded` (a later row or file says otherwise). Later is a higher load, then a higher row number. Row order plays no part.
    """
    keyed = _settle_keys(rows.filter(pl.col("key").is_not_null()))
    plain = rows.filter(pl.col("key").is_null())
    repeats = _surplus_repeats(plain, new_loads) if table in REPEATS_ALLOWED else _second_copies(plain)
    return pl.concat([keyed, repeats]).cast(VERDICT_SCHEMA).sort("load_id", "row_number", "part")  # type: ignore[arg-type]


def _settle_keys(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows in turn: one that says the same as the one before is a duplicate, another one supersedes it."""
    ordered = rows.sort("key", "load_id", "row_number", "part")
    repeats = ((pl.col("key") == pl.col("key").shift()) & (pl.col("content") == pl.col("content").shift())).fill_null(
        False
    )
    distinct = ordered.filter(~repeats)
    earlier = distinct.filter((pl.col("key") == pl.col("key").shift(-1)).fill_null(False))
    return pl.concat(
        [
            ordered.filter(repeats).select("load_id", "row_number", "part", pl.lit("duplicate").alias("verdict")),
            earlier.select("load_id", "row_number", "part", pl.lit("superseded").alias("verdict")),
        ]
    )


def _surplus_repeats(rows: pl.DataFrame, new_loads: list[int]) -> pl.DataFrame:
    """Keep, of each content, as many rows as the file holds that holds most of them.

    The n-th copy in one file and the n-th copy in another are the same row; the earlier load keeps it.
    """
    is_new = pl.col("load_id").is_in(new_loads)
    copy = pl.struct("row_number", "part").rank("ordinal").over("content", "load_id")
    settled = (~is_new).sum().over("content")
    counted = rows.with_columns(is_new.alias("new"), copy.alias("copy"), settled.alias("settled"))
    fresh = counted.filter(pl.col("new"))
    earlier = (pl.col("load_id") > pl.col("load_id").min().over("content", "copy")) | (
        pl.col("copy") <= pl.col("settled")
    )
    return fresh.filter(earlier).select("load_id", "row_number", "part", pl.lit("duplicate").alias("verdict"))


def _second_copies(rows: pl.DataFrame) -> pl.DataFrame:
    ordered = rows.sort("content", "load_id", "row_number", "part")
    return ordered.filter(pl.col("content") == pl.col("content").shift()).select(
        "load_id", "row_number", "part", pl.lit("duplicate").alias("verdict")
    )
