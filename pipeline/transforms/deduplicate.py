"""Which of the rows that look alike are the same row loaded twice.

Exports overlap: last year's file and this year's share months. A row must count once, but two identical rows in one
file may be two genuine things (two fillings, a row and its re-posting), so identity alone does not decide.
"""

from collections.abc import Mapping

import polars as pl

from pipeline.transforms.corrections import CHANGE_SCHEMA, PLACE

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


def deduplicate(
    rows: pl.DataFrame, *, table: str, new_loads: list[int], later: Mapping[int, int] | None = None
) -> pl.DataFrame:
    """Decide on rows that share a key or their whole content.

    `rows` holds `load_id, row_number, part, key, content`: `key` is null where the source gives none, `content`
    is equal for rows that are equal in every field. Loads not in `new_loads` were settled before: their rows stand.

    Returns `load_id, row_number, part, verdict` of the rows that go: `duplicate` (it is there already) or
    `superseded` (a later row or file says otherwise). Later is a higher rank of the load in `later` (a higher load, if
    that is not given), then a higher row number. Row order plays no part.
    """
    keyed = _settle_keys(rows.filter(pl.col("key").is_not_null()), later or {})
    plain = rows.filter(pl.col("key").is_null())
    repeats = _surplus_repeats(plain, new_loads) if table in REPEATS_ALLOWED else _second_copies(plain)
    return pl.concat([keyed, repeats]).cast(VERDICT_SCHEMA).sort("load_id", "row_number", "part")  # type: ignore[arg-type]


def keyed_changes(rows: pl.DataFrame, verdicts: pl.DataFrame) -> pl.DataFrame:
    """Which row takes the place of each superseded one (`corrections.CHANGE_SCHEMA`).

    `rows` and `verdicts` are what `deduplicate` got and gave.
    """
    places = list(PLACE)
    keyed = rows.filter(pl.col("key").is_not_null()).select("key", *(pl.col(c).cast(VERDICT_SCHEMA[c]) for c in PLACE))
    kept = keyed.join(verdicts, on=places, how="anti").rename({c: f"new_{c}" for c in PLACE})
    kept = kept.sort(*(f"new_{c}" for c in PLACE)).unique("key", keep="first", maintain_order=True)
    gone = keyed.join(verdicts.filter(pl.col("verdict") == "superseded"), on=places, how="semi")
    return gone.join(kept, on="key").select(pl.col(c).cast(t) for c, t in CHANGE_SCHEMA.items()).sort(*PLACE)


def _settle_keys(rows: pl.DataFrame, later: Mapping[int, int]) -> pl.DataFrame:
    """Rows in turn: one that says the same as the one before is a duplicate, another one supersedes it.

    A row that names several teeth is one row here, whatever parts it was cut into.
    """
    rank = pl.col("load_id").cast(pl.Int64).replace(dict(later)) if later else pl.col("load_id")
    row = ["key", "load_id", "row_number"]
    whole = rows.sort(*row, "part").group_by(row).agg("part", pl.col("content").str.join("\x1f"))
    ordered = whole.sort(pl.col("key"), rank, pl.col("load_id"), pl.col("row_number"))
    repeats = ((pl.col("key") == pl.col("key").shift()) & (pl.col("content") == pl.col("content").shift())).fill_null(
        False
    )
    distinct = ordered.filter(~repeats)
    earlier = distinct.filter((pl.col("key") == pl.col("key").shift(-1)).fill_null(False))
    verdicts = [(ordered.filter(repeats), "duplicate"), (earlier, "superseded")]
    return pl.concat(
        frame.explode("part").select("load_id", "row_number", "part", pl.lit(verdict).alias("verdict"))
        for frame, verdict in verdicts
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
