"""Amounts below zero beside work of the same day, code and tooth that has another amount: a payment, and no reversal.

A reversal takes back the amount that was charged; a payment, a rebate or an insurer's share is of another one. Counted
as reversals such rows take work out of the totals that a load prints. Common practice, no source.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.reading.doubts.cells import STANDS, text_of
from pipeline.reading.doubts.doubt import Doubt, ask, status_from

_MOST_HELD, _MOST_STEMS = 100_000, 200
_LEAST, _SHARE, _SAID = 5, 0.5, 0.95
_FEWEST_LETTERS, _MOST_SHOWN = 4, 6
_WORK = ("patient_id", "service_date", "code", "tooth_fdi")
_CENT = 0.005


@dataclass
class PaymentsBeside:
    """The first rows of a ledger that have a fee, and by column of words how texts begin on rows below zero and on
    all others."""

    held: list[pl.DataFrame] = field(default_factory=list)
    rows: int = 0
    below: dict[str, Counter[str]] = field(default_factory=dict)
    above: dict[str, Counter[str]] = field(default_factory=dict)

    def add(self, rows: pl.DataFrame, headings: Sequence[str], numbers: pl.Series, cleaned: pl.DataFrame) -> None:
        """Take in a batch: its cells, their row numbers, and the typed rows."""
        if self.rows >= _MOST_HELD:
            return
        priced = cleaned.filter(STANDS & pl.col("fee").is_not_null() & (pl.col("fee") != 0))
        work = priced.select(work=pl.struct(_WORK).hash(0), fee=pl.col("fee").cast(pl.Float64))
        self.held.append(work)
        self.rows += work.height
        is_below = numbers.is_in(priced.filter(pl.col("fee") < 0)["row_number"].implode())
        is_above = numbers.is_in(priced.filter(pl.col("fee") > 0)["row_number"].implode())
        for heading in headings:
            texts = text_of(rows, heading)
            for counts, these in ((self.below, is_below), (self.above, is_above)):
                held = counts.setdefault(heading, Counter())
                if len(held) <= _MOST_STEMS:
                    stems = texts.filter(these).str.extract(_STEM).str.to_lowercase().fill_null("")
                    held.update(dict(stems.value_counts(name="n").iter_rows()))


_STEM = r"^([^\d]*)"  # a number behind the words is that of the work that was paid for


def payment_doubts(where: str, seen: PaymentsBeside, fee: str | None) -> list[Doubt]:
    """One question where at least half of the amounts below zero are of that kind; `fee` is the column of fees."""
    if not seen.held or fee is None:
        return []
    rows = pl.concat(seen.held)
    below = rows.filter(pl.col("fee") < 0).with_row_index("row")
    beside = below.join(rows.filter(pl.col("fee") > 0), on="work", suffix="_above")
    equal = (pl.col("fee") + pl.col("fee_above")).abs() < _CENT
    by_row = beside.group_by("row").agg(equal.any().alias("equal"))
    n = by_row.filter(~pl.col("equal")).height
    if n < max(_LEAST, _SHARE * below.height):
        return []
    heading, patterns = _said(seen) or (fee, ["-*"])
    return ask(
        "payments_beside",
        where,
        f"{n:,} of {below.height:,} amounts below zero stand beside work of the same patient, day, code and tooth "
        "that has another amount.",
        status_from(heading, dict.fromkeys(patterns, "void"), "yes: they are no work"),
    )


def _said(seen: PaymentsBeside) -> tuple[str, list[str]] | None:
    """The column, and the patterns, of words that stand on rows below zero alone."""
    for heading, below in sorted(seen.below.items()):
        above = seen.above.get(heading, Counter())
        stems = [s for s in below if len(re.sub(r"\W", "", s)) >= _FEWEST_LETTERS]
        own = [s for s in stems if not any(other.startswith(s) for other in above)]
        if len(own) <= _MOST_SHOWN and sum(below[s] for s in own) >= _SAID * below.total():
            return heading, [f"{stem.strip()}*" for stem in sorted(own)]
    return None
