"""Codes of a practice's own list whose fee jumps at a month and stays there: they may mean other work since.

Fees rise a little each year, all of them. One that is two and a half times another on one side of a month, and hardly
varies on either side, while most others go on, is that of other work. Common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import polars as pl

from pipeline.reading.doubts.cells import MONTH, named_month
from pipeline.reading.doubts.doubt import Doubt, accept
from pipeline.reading.suggest.toml_quote import quoted

_LEAST, _JUMP, _SPREADS, _MOST = 8, math.log(2.5), 4, 0.5
_MOST_SHOWN = 6
SUMS = ("n", "total", "squares")


def by_month(done: pl.DataFrame) -> pl.DataFrame:
    """`code, month, n, total, squares` of the logarithms of the fees of typed rows; months from the year 0."""
    fee = pl.col("fee").cast(pl.Float64).log()
    paid = done.filter(pl.col("fee") > 0)
    return paid.group_by("code", month=MONTH).agg(n=pl.len(), total=fee.sum(), squares=(fee * fee).sum())


def added(pieces: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Such sums of several batches or files, together."""
    return pl.concat(pieces).group_by("code", "month").agg(pl.col(SUMS).sum())


def fee_jumps(where: str, pieces: Sequence[pl.DataFrame], accepted: Sequence[str]) -> list[Doubt]:
    """One question about all codes with such a jump, unless half of the codes jump."""
    if not pieces:
        return []
    sums = added(pieces).sort("code", "month")
    both = sums.with_columns(pl.col(SUMS).cum_sum().over("code").name.suffix("_to"))
    both = both.with_columns(**{f"{s}_from": pl.col(s).sum().over("code") - pl.col(f"{s}_to") for s in SUMS})
    enough = both.filter(pl.col("n_to") >= _LEAST, pl.col("n_from") >= _LEAST)
    mean = {side: pl.col(f"total_{side}") / pl.col(f"n_{side}") for side in ("to", "from")}
    spread = pl.max_horizontal(
        (pl.col(f"squares_{side}") / pl.col(f"n_{side}") - mean[side] ** 2).clip(lower_bound=0).sqrt() for side in mean
    )
    since = pl.col("month").shift(-1).over("code")
    jumps = enough.select("code", since=since, before=mean["to"].exp(), after=mean["from"].exp(), spread=spread)
    size = (pl.col("after").log() - pl.col("before").log()).abs()
    jumps = jumps.drop_nulls().filter((size >= _JUMP) & (size >= _SPREADS * pl.col("spread")))
    found = jumps.sort(size, "since", descending=[True, False]).unique("code", keep="first", maintain_order=True)
    found = found.sort("code")
    if found.is_empty() or found.height > max(1, _MOST * enough["code"].n_unique()):
        return []
    rows = found.head(_MOST_SHOWN).rows(named=True)
    days = [f"{named_month(r['since'])}-01" for r in rows]
    shown = "; ".join(
        f"{r['code']} some {r['before']:,.0f} before {day} and some {r['after']:,.0f} from then on"
        for r, day in zip(rows, days, strict=True)
    )
    lines = [
        (
            "tables.procedures",
            f"codes_renewed.{quoted(r['code'])} = {{ {quoted(day)} = {quoted(r['code'] + ' NEW')} }}",
            f"yes: name both {r['code']} and {r['code']} NEW in the list of codes, each with its event",
        )
        for r, day in zip(rows, days, strict=True)
    ]
    return [
        Doubt(
            "code_fees",
            where,
            f"the fees of {found.height:,} codes of your own list jump in one month and stay: {shown}.",
            "Was such a code given out anew for other work? A list of codes with days from which they hold would tell.",
            (*lines, accept("code_fees", accepted, "no: the work is the same, and its fee changed")),
        )
    ]
