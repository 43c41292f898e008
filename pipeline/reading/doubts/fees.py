"""Fees that are not the price of the work (in the smallest coin, of one piece alone), and codes of a practice's own
whose fee jumps at a month or differs by the office: they may mean other work there.

Fees rise a little each year, all of them. One that is two and a half times another on one side of a month, and hardly
varies on either side, while most others go on, is that of other work. Common practice, no source.
"""

import math
from collections.abc import Collection, Mapping, Sequence

import polars as pl

from pipeline.practice.counts import count
from pipeline.reading.doubts.cells import MONTH, named_month
from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger
from pipeline.reading.doubts.standing import words_of
from pipeline.reading.headings import plain_heading
from pipeline.reading.sources.by_amounts import amounts
from pipeline.reading.suggest.shown import quoted

_COINS = words_of("cent cents pence penny centimes centavos centesimi rappen ore oere grosze halere minor")


def names_a_coin(heading: str | None) -> bool:
    """Whether a heading names the smallest coin."""
    return heading is not None and bool(_COINS & set(plain_heading(heading.rpartition(".")[2]).split()))


def counts_coins(fee: str | None, renamed: Mapping[str, str], called: Mapping[str, str]) -> bool:
    """Whether the fees of a file are in cents where that is told: if headings of some files name the coin, those."""
    own = {heading for heading, new in renamed.items() if new == fee} | {fee}
    return not any(map(names_a_coin, own)) or names_a_coin(called.get(fee or "", fee))


def coin_doubts(fees: Mapping[str, str | None], *, told: str | None) -> Sequence[Doubt]:
    """Columns of fees whose heading names the smallest coin; `fees` has that of each file of the ledger."""
    of = [(where, heading) for where, heading in fees.items() if heading and names_a_coin(heading)]
    if told is not None or not of:
        return []
    where, heading = of[0]
    alike = [w for w, h in of if h == heading]
    more = "" if len(alike) == 1 else f" here and in {count(len(alike) - 1, 'more file')}"
    others = sorted({h for w, h in fees.items() if h and not names_a_coin(h)})
    but = f"; others call it {', '.join(others)}, and would stay as they are" if others else ""
    return ask(
        "fee_unit",
        where,
        f'column "{heading}" is read as the fee{more}, and by its heading it counts in the smallest coin{but}.',
        of_ledger('fee_unit = "cent"', "yes: a hundred of them are one"),
        of_ledger('fee_unit = "whole"', "no: the amounts are as they stand"),
    )


def times(fee: pl.Expr, count: pl.Expr) -> pl.Expr:
    """The fee of so many pieces, written as that of one is; it stays where the count is none above 1."""
    product = (amounts(fee) * amounts(count)).round(2).cast(pl.String)
    comma = fee.str.contains(r",\d{1,2}\D*$")
    written = pl.when(comma).then(product.str.replace(".", ",", literal=True)).otherwise(product)
    return pl.when(amounts(count) > 1).then(written).otherwise(fee)


_LEAST, _JUMP, _SPREADS, _MOST = 8, math.log(2.5), 4, 0.5
_LEAST_WITH, _SAME_TIME = 3, 2  # rows and months, where another code jumps
_MOST_SHOWN, _LEAST_CODES, _NEARLY_ALL = 6, 4, 0.8
SUMS = ("n", "total", "squares")


def by_month(paid: pl.DataFrame) -> pl.DataFrame:
    """`code, month, n, total, squares` of the logarithms of fees above 0 of typed rows; months from the year 0."""
    return _of_fees(paid, MONTH.alias("month"))


def by_office(paid: pl.DataFrame) -> pl.DataFrame:
    """`code, site, n, total, squares` as `by_month`, by office."""
    return _of_fees(paid.drop_nulls("site_id"), pl.col("site_id").alias("site"))


def _of_fees(paid: pl.DataFrame, by: pl.Expr) -> pl.DataFrame:
    fee = pl.col("fee").cast(pl.Float64).log()
    return paid.group_by("code", by).agg(n=pl.len(), total=fee.sum(), squares=(fee * fee).sum())


def added(pieces: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Such sums of several batches or files, together."""
    return pl.concat(pieces).group_by("code", "month").agg(pl.col(SUMS).sum())


def fee_jumps(where: str, pieces: Sequence[pl.DataFrame], *, own_codes: bool, divided: Collection[str]) -> list[Doubt]:
    """One question about all codes with such a jump; if half of them jump by one factor at once, about the currency."""
    if not pieces:
        return []
    sums = added(pieces).sort("code", "month")
    both = sums.with_columns(pl.col(SUMS).cum_sum().over("code").name.suffix("_to"))
    both = both.with_columns(**{f"{s}_from": pl.col(s).sum().over("code") - pl.col(f"{s}_to") for s in SUMS})
    both = both.with_columns(since=pl.col("month").shift(-1).over("code"))
    some = both.filter(pl.col("n_to") >= _LEAST_WITH, pl.col("n_from") >= _LEAST_WITH)
    mean = {side: pl.col(f"total_{side}") / pl.col(f"n_{side}") for side in ("to", "from")}
    spread = pl.max_horizontal(
        (pl.col(f"squares_{side}") / pl.col(f"n_{side}") - mean[side] ** 2).clip(lower_bound=0).sqrt() for side in mean
    )
    is_enough = (pl.col("n_to") >= _LEAST) & (pl.col("n_from") >= _LEAST)
    enough = both.filter(is_enough)
    means = {"before": mean["to"].exp(), "after": mean["from"].exp()}
    jumps = some.select("code", "since", until="month", **means, spread=spread, enough=is_enough)
    size = (pl.col("after").log() - pl.col("before").log()).abs()
    jumps = jumps.drop_nulls().filter((size >= _JUMP) & (size >= _SPREADS * pl.col("spread")))
    ranked = jumps.sort("enough", size, "since", descending=[True, True, False])
    largest = ranked.unique("code", keep="first", maintain_order=True)
    found = largest.filter("enough").sort("code")
    if found.height > max(1, _MOST * enough["code"].n_unique()):
        return [] if divided else _in_one_month(where, found, sums)
    if found.is_empty() or not own_codes:
        return []
    # Whoever gives one code another meaning writes a new list: of that time fewer rows of another code are enough.
    until, since = pl.col("until"), pl.col("since")
    near = [(until <= month + _SAME_TIME) & (since >= month - _SAME_TIME) for month in found["since"]]
    found = largest.filter(pl.col("enough") | pl.any_horizontal(near)).sort("code")
    rows = found.head(_MOST_SHOWN).rows(named=True)
    days = [f"{named_month(r['since'])}-01" for r in rows]
    each, lines = [], []
    for r, day in zip(rows, days, strict=True):
        code = r["code"]
        each.append(f"{code} some {r['before']:,.0f} before {day} and some {r['after']:,.0f} from then on")
        line = f"codes_renewed.{quoted(code)} = {{ {quoted(day)} = {quoted(code + ' NEW')} }}"
        why = f"yes: name both {code} and {code} NEW in the list of codes, each with its event"
        lines.append(of_ledger(line, why))
    shown = "; ".join(each)
    evidence = f"the fees of {found.height:,} codes of your own list jump in one month and stay: {shown}."
    return ask("code_fees", where, evidence, *lines)


def _in_one_month(where: str, jumps: pl.DataFrame, sums: pl.DataFrame) -> list[Doubt]:
    """A question if the last fees of most codes before a month are those after it times one factor, within a tenth."""
    month = int(jumps["since"].mode().sort()[0])
    each = sums.join(jumps.select("code"), on="code").with_columns(mean=(pl.col("total") / pl.col("n")).exp())
    last = each.filter(pl.col("month") < month).sort("month").group_by("code").agg(before=pl.col("mean").last())
    first = each.filter(pl.col("month") >= month).sort("month").group_by("code").agg(after=pl.col("mean").first())
    ratio = last.join(first, on="code").select(pl.col("before") / pl.col("after")).to_series()
    factor = float(ratio.median() or 0)  # type: ignore[arg-type]
    alike = int(ratio.is_between(0.9 * factor, 1.1 * factor).sum())
    if alike < max(_LEAST_CODES, _NEARLY_ALL * jumps.height):
        return []
    day, size = f"{named_month(month)}-01", f"{factor:.4g}" if factor > 1 else f"{factor:.4f}"
    means = "yes: fees before that day are divided by it; write the exact rate"
    evidence = (
        f"the fees of {alike:,} codes, all in one month, are {size} times less from {day} on than before."
        if factor > 1
        else f"the fees of {alike:,} codes, all in one month, are {1 / factor:.4g} times more from {day} on."
    )
    return ask("fees_in_two_units", where, evidence, of_ledger(f'fees_before = {{ "{day}" = "{size}" }}', means))


def office_doubts(where: str, heading: str, pieces: Sequence[pl.DataFrame]) -> list[Doubt]:
    """Codes of a practice's own list whose fee at one office is far from that at another, on all their rows."""
    sums = pl.concat(pieces).group_by("code", "site").agg(pl.col(SUMS).sum()).filter(pl.col("n") >= _LEAST)
    mean = pl.col("total") / pl.col("n")
    spread = (pl.col("squares") / pl.col("n") - mean**2).clip(lower_bound=0).sqrt()
    of = sums.select("code", "site", "n", mean=mean, spread=spread)
    two = of.join(of, on="code", suffix="_2").filter(pl.col("site") < pl.col("site_2"))
    apart = (pl.col("mean") - pl.col("mean_2")).abs()
    far = two.filter(apart >= _JUMP, apart >= _SPREADS * pl.max_horizontal("spread", "spread_2")).sort("code", "site")
    if far.is_empty():
        return []
    rows = far.unique("code", keep="first", maintain_order=True).head(_MOST_SHOWN).rows(named=True)
    shown = "; ".join(
        f"{r['code']} some {math.exp(r['mean']):,.0f} at {r['site']} and {math.exp(r['mean_2']):,.0f} at {r['site_2']}"
        for r in rows
    )
    site = rows[0]["site_2"]
    own = f"* {site.upper()}"
    named = [
        ("codes", f'{quoted(r["code"] + own[1:])} = "<its event>"', f"what {r['code']} is at {site}") for r in rows
    ]
    means = f"yes: of {site} the list then has codes with {site.upper()} behind them, or else the plain ones"
    return ask(
        "code_by_office",
        where,
        f"{far['code'].n_unique():,} codes of your own list have fees far apart by the office: {shown}.",
        of_ledger(f"code_from.{quoted(heading)} = {{ {quoted(site)} = {quoted(own)} }}", means),
        *named,
    )
