"""Which rows of an earlier export a later one corrects, where the source gives its rows no key of their own.

Two exports overlap if, on the days of patients that both hold, most rows of each are in the other as well. Files split
by clinician, clinic or kind of work share days but no rows, and are left alone. Between exports that overlap, a row
that only the earlier has and a row that only the later has are one row corrected, if they agree in patient, day and
code, or in patient, day and tooth. A row that vanished without such a counterpart stays.
"""

from collections.abc import Mapping

import polars as pl

# Too few identical rows may be chance: two clinicians can each post one examination without a clinician's name.
LEAST_IDENTICAL_ROWS = 20
LEAST_IDENTICAL_SHARE = 0.8

PLACE = ("load_id", "row_number", "part")
SUM_SCHEMA: dict[str, pl.DataType] = {
    "a": pl.Int32(),
    "b": pl.Int32(),
    "rows_a": pl.Int64(),
    "rows_b": pl.Int64(),
    "identical": pl.Int64(),
}
ONE_SIDED_SCHEMA: dict[str, pl.DataType] = {
    "a": pl.Int32(),
    "b": pl.Int32(),
    "load_id": pl.Int32(),
    "row_number": pl.Int64(),
    "part": pl.UInt8(),
    "patient": pl.UInt64(),
    "service_date": pl.Date(),
    "code": pl.String(),
    "tooth": pl.String(),
    "content": pl.UInt64(),
}
CHANGE_SCHEMA: dict[str, pl.DataType] = {
    "load_id": pl.Int32(),
    "row_number": pl.Int64(),
    "part": pl.UInt8(),
    "new_load_id": pl.Int32(),
    "new_row_number": pl.Int64(),
    "new_part": pl.UInt8(),
}


def overlapping(sums: pl.DataFrame) -> pl.DataFrame:
    """The pairs of loads (`a, b`) that are exports of the same ledger.

    `sums` (`SUM_SCHEMA`) has one row per pair that shares days of patients: the rows of either on those days, and how
    many of them are identical.
    """
    least = LEAST_IDENTICAL_SHARE * pl.max_horizontal("rows_a", "rows_b")
    enough = (pl.col("identical") >= LEAST_IDENTICAL_ROWS) & (pl.col("identical") >= least)
    return sums.filter(enough).select("a", "b").sort("a", "b")


def find_corrections(one_sided: pl.DataFrame, *, later: Mapping[int, int]) -> pl.DataFrame:
    """Pair the rows that only the earlier of two overlapping exports has with those that only the later has.

    - `one_sided`: `ONE_SIDED_SCHEMA`: one row per pair of overlapping loads (`a, b`) and row that only one of them has
      on a day that both hold. `patient` and `content` are digests.
    - `later`: Load to its rank in time: of two loads, the one with the higher rank is the later export.

    Returns `CHANGE_SCHEMA`: one row per earlier row (`load_id, row_number, part`) that the later export does not have,
    with the row that takes its place; `new_row_number` is null if it vanished without one. An earlier row that several
    exports correct gets the counterpart in the earliest of them. Row order plays no part.
    """
    rank = pl.DataFrame(
        {"load_id": list(later), "rank": list(later.values())}, schema={"load_id": pl.Int32, "rank": pl.Int64}
    )
    rows = one_sided.join(rank, on="load_id").with_columns(
        other=pl.when(pl.col("load_id") == pl.col("a")).then("b").otherwise("a")
    )
    rows = rows.join(rank.rename({"load_id": "other", "rank": "other_rank"}), on="other")
    early = rows.filter(pl.col("rank") < pl.col("other_rank"))
    late = rows.filter(pl.col("rank") > pl.col("other_rank"))
    found = []
    for agree in (("code", "tooth"), ("code",), ("tooth",)):
        pairs = _pair(early, late, ["a", "b", "patient", "service_date", *agree])
        found.append(pairs)
        early = early.join(pairs, on=["a", "b", *PLACE], how="anti")
        taken = pairs.select("a", "b", *(pl.col(f"new_{c}").alias(c) for c in PLACE))
        late = late.join(taken, on=["a", "b", *PLACE], how="anti")
    vanished = early.select(
        "a", "b", *PLACE, pl.col("other").alias("new_load_id"), pl.col("other_rank").alias("new_rank")
    )
    every = pl.concat([*found, vanished], how="diagonal_relaxed")
    return (
        every.sort(*PLACE, pl.col("new_row_number").is_null(), "new_rank")
        .unique(PLACE, keep="first", maintain_order=True)
        .select(pl.col(c).cast(t) for c, t in CHANGE_SCHEMA.items())
    )


def superseded(changes: pl.DataFrame) -> pl.DataFrame:
    """The verdicts (`load_id, row_number, part, verdict`) on the rows for which there is a counterpart."""
    return changes.filter(pl.col("new_row_number").is_not_null()).select(*PLACE, verdict=pl.lit("superseded"))


def _pair(early: pl.DataFrame, late: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    """The n-th of the early rows with one key and the n-th of the late ones; null keys pair with nothing."""
    turn = pl.int_range(pl.len()).over(key)
    order = ["content", "row_number", "part"]
    first = early.drop_nulls(key).sort(*key, *order).with_columns(turn=turn)
    second = late.drop_nulls(key).sort(*key, *order).with_columns(turn=turn)
    second = second.select(*key, "turn", *(pl.col(c).alias(f"new_{c}") for c in (*PLACE, "rank")))
    return first.join(second, on=[*key, "turn"]).select("a", "b", *PLACE, *(f"new_{c}" for c in (*PLACE, "rank")))
