"""Fees that are not the price of the work: kept in the smallest coin, as the heading says, or of one piece alone."""

from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.practice.counts import count
from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger
from pipeline.reading.doubts.standing import words_of
from pipeline.reading.headings import plain_heading
from pipeline.reading.sources.by_amounts import amounts

_COINS = words_of("cent cents pence penny centimes centavos centesimi rappen ore oere grosze halere minor")


def names_a_coin(heading: str | None) -> bool:
    """Whether a heading names the smallest coin."""
    return heading is not None and bool(_COINS & set(plain_heading(heading.rpartition(".")[2]).split()))


def counts_coins(fee: str | None, renamed: Mapping[str, str], called: Mapping[str, str]) -> bool:
    """Whether the fees of a file are meant where fees are told to be in cents: of files that call them otherwise, in
    which some name the coin, those that do."""
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
