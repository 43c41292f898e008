"""The kind of an entry: a charge, a payment, an estimate. What stands beside money or words was not done by it.

Words of the trade in seven languages, from memory: common practice, no source.
"""

import re
from collections import Counter
from collections.abc import Iterable

import polars as pl

from pipeline.practice.tables import REVERSAL
from pipeline.reading.headings import plain_heading, word_list
from pipeline.reading.sources.standing_names import named

_ENTRY_KINDS = word_list("headings of kinds of entry")
# Kinds of entry that are money or words: what stands beside them was not done by it.
_NO_WORK = word_list("entry of money or words")
_CREDIT = word_list("entry of credit")
_MOST_KINDS = 200
_DESCRIPTIONS = word_list("headings of descriptions") | {"details", "particulars", "transaction"}
_MONEY = (
    r"(?i)^\s*((?:(?:dental |prim(?:ary)? |sec(?:ondary)? )?ins(?:urance)?\.?|patient|pat|pt|cash|check|cheque|card|"
    r"credit card|claim|carrier)\s+(?:pmts?|pymts?|payments?|paid|adj(?:ustments?)?|write[- ]?offs?)"
    r"|pmts?|pymts?|payments?|write[- ]?offs?|adjustments?|discounts?|balance forward|finance charges?|"
    r"zahlung(?:seingang)?|kassenzahlung|paiements?|reglements?|règlements?|remboursement|pagos?|cobros?|betaling(?:en)?|"
    r"pagament[oi]|incasso|recebimento)\b"
)


def kind_columns(headings: Iterable[str]) -> list[str]:
    """Headings of the kind of an entry: charge, payment, estimate."""
    return [h for h in headings if plain_heading(h) in _ENTRY_KINDS]


def kinds(texts: pl.Series) -> Counter[tuple[str, str]]:
    """Rows by text and what it makes of a row, of kinds of entry that are no work done."""
    counts = texts.drop_nulls().value_counts(name="n")
    if counts.height > _MOST_KINDS:
        return Counter()
    return Counter({(text.lower(), word): n for text, n in counts.iter_rows() if (word := _kind_is(text))})


def money_lines(texts: pl.Series) -> Counter[tuple[str, str]]:
    """Rows by how a text begins and what that makes of a row, of descriptions that begin with words for money: `Ins pmt
    Crown` under the code of the crown that it pays for."""
    counts = texts.drop_nulls().value_counts(name="n")
    name = counts.columns[0]
    found: Counter[tuple[str, str]] = Counter()
    for text, n in counts.filter(pl.col(name).str.contains(_MONEY)).iter_rows():
        if met := re.match(_MONEY, text):
            found[f"{' '.join(met[1].lower().split())}*", "void"] += n
    return found


def described(headings: Iterable[str]) -> list[str]:
    """Headings of what was done, in words, apart from those of notes, which may tell of money too."""
    return [h for h in headings if plain_heading(h) in _DESCRIPTIONS]


def _kind_is(text: str) -> str:
    plain = plain_heading(text)
    if plain in _NO_WORK:
        return "void"
    if plain in _CREDIT:
        return REVERSAL
    said = named(text)
    return said.word if said.is_whole and said.word != "completed" else ""
