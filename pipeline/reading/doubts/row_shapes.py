"""Shapes of a ledger that no practice writes: a column that slid by a row, a join that crossed codes with teeth.

Common practice, no source.
"""

import polars as pl

from pipeline.reading.doubts.doubt import Doubt, ask
from pipeline.reading.doubts.rows_held import RowsHeld

_LEAST, _NEARLY, _CODE_ROWS, _STRETCH = 8, 0.85, 10, 0.5
_VISITS, _CROSSED = 12, 0.9


def slid_doubts(where: str, held: RowsHeld) -> list[Doubt]:
    """Rows with a tooth under codes that hardly ever have one, all in the one stretch in which others lack theirs."""
    if sum(map(len, held.toothless)) < _LEAST:
        return []
    frame, toothless = held.frame, pl.concat(held.toothless)
    share = pl.col("is_on_tooth").mean().over("code")
    with_none = frame.filter(pl.len().over("code") >= _CODE_ROWS).filter(share <= 1 - _NEARLY)
    too_many = with_none.filter("is_on_tooth")["row_number"]
    if min(too_many.len(), toothless.len()) < _LEAST:
        return []
    first, last = (int(too_many.quantile(q, "nearest")) for q in (0.02, 0.98))  # type: ignore[arg-type]
    absent = int(toothless.is_between(first - 1, last + 1).sum())
    within = frame["row_number"].is_between(first, last).sum()
    if within > _STRETCH * frame.height or absent < max(_LEAST, _NEARLY * toothless.len()):
        return []
    return ask(
        "column_slid",
        where,
        f"between the rows {first:,} and {last:,} {absent:,} rows of work on a tooth have none, and "
        f"{too_many.len():,} rows of examinations, cleanings and the like have one; elsewhere hardly any.",
    )


def crossed_doubts(where: str, frame: pl.DataFrame) -> list[Doubt]:
    """Days of a patient with several teeth and several codes on which each code stands with each tooth."""
    work = frame.drop_nulls("tooth").select("patient", "day", "code", "tooth").unique()
    days = work.group_by("patient", "day").agg(
        pl.len(), codes=pl.col("code").n_unique(), teeth=pl.col("tooth").n_unique()
    )
    days = days.filter(pl.col("codes") > 1, pl.col("teeth") > 1)
    crossed = days.filter(pl.col("len") == pl.col("codes") * pl.col("teeth"))
    if days.height < _VISITS or crossed.height < _CROSSED * days.height:
        return []
    return ask(
        "joined_by_visit",
        where,
        f"on {crossed.height:,} of {days.height:,} days on which a patient had several procedures on several teeth "
        "each procedure stands with each tooth.",
    )
