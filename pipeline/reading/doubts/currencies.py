"""Amounts in two currencies: a column says which, or a name or sign stands beside the amounts themselves.

An amount is read as a number alone, so what is in another currency would be summed up as if it were worth the same.
Names of ISO 4217, signs and words of the trade are from memory: common practice, no source.
"""

from collections import Counter
from collections.abc import Iterable, Mapping

import polars as pl

from pipeline.practice.counts import count
from pipeline.reading.doubts.doubt import Doubt, ask, in_rows
from pipeline.reading.headings import plain_heading, word_list

_ISO = (
    "AED ARS AUD BAM BGN BRL CAD CHF CLP CNY COP CZK DEM DKK EGP EUR FRF GBP HKD HRK HUF IDR ILS INR ISK ITL JPY KRW "
    "MAD MXN MYR NLG NOK NZD PEN PHP PLN RON RSD RUB SAR SEK SGD THB TRY TWD UAH USD UYU VND ZAR"
)
_OTHER_NAMES = {
    "EUR": "€ euro euros",
    "USD": "$ us$ dollar dollars",
    "GBP": "£ pound pounds sterling",
    "CHF": "fr sfr franken francs franchi",
    "TRY": "₺ tl lira",
    "JPY": "¥ yen",
    "PLN": "zl",
    "CZK": "kc",
    "HUF": "ft forint",
    "INR": "₹ rs rupees",
    "RUB": "₽ rub руб",
}
_NAMES = {name.lower(): name for name in _ISO.split()} | {
    other: name for name, others in _OTHER_NAMES.items() for other in others.split()
}
_HEADINGS = word_list("headings of currencies")
_BESIDE = r"^[-−+(\s]*(\p{Sc}|US\$|\p{L}{1,6})[.\s]*[-−+(]*\d|\d[)\s.,–—-]*(\p{Sc}|\p{L}{1,6})[.)\s]*$"
_LEAST, _SHARE = 3, 0.01


def beside_amounts(texts: pl.Series) -> Counter[str]:
    """Rows by the currency that stands beside an amount, and those with an amount alone as an empty text."""
    text = pl.col("text")
    named = pl.coalesce(text.str.extract(_BESIDE, 1), text.str.extract(_BESIDE, 2)).str.to_lowercase()
    counts = texts.cast(pl.String).alias("text").value_counts(name="n").filter(text.str.contains(r"\d"))
    return _by_currency(dict(counts.group_by(named.fill_null("").alias("named")).agg(pl.col("n").sum()).iter_rows()))


def says_currency(heading: str, texts: Iterable[str]) -> bool:
    """Whether a column tells the currency: each of its texts is a name of one, under any heading if there are two."""
    filled = {text for text in texts if text}
    known = {text for text in filled if text.lower().rstrip(".") in _NAMES}
    is_headed = bool(_HEADINGS & set(plain_heading(heading).split()))
    if any(char.isdigit() for text in filled for char in text):
        return False  # `Valuta` may be a day
    return bool(filled) and (is_headed or (filled == known and len(filled) > 1))


def currency_doubts(
    files: Mapping[str, tuple[str, Counter[str]]], columns: Mapping[str, Mapping[str, Counter[str]]]
) -> list[Doubt]:
    """One question where the fees of a ledger are in two currencies.

    `files` has the heading of each file's fees and what `beside_amounts` found in them, `columns` the texts of its
    columns that nothing reads, by heading.
    """
    told = [(w, h, _by_currency(c)) for w in files for h, c in columns[w].items() if says_currency(h, c)]
    beside = [(w, h, c if len(c) > 2 or "" not in c else c - Counter({"": c[""]})) for w, (h, c) in files.items()]
    for found, says in ((told, "says of amounts"), (beside, "holds beside amounts")):
        counts = sum((c for _, _, c in found), Counter[str]())
        several = {name: n for name, n in counts.items() if n >= max(_LEAST, _SHARE * counts.total())}
        if len(several) < 2:
            continue
        shown = in_rows(several, none="none")
        where, heading, _ = found[0]
        more = f" (and in {count(len(found) - 1, 'more file')})" if len(found) > 1 else ""
        return ask(
            "two_currencies",
            where,
            f'column "{heading}"{more} {says} which currency they are in: {shown}. They are read as numbers alone.',
        )
    return []


def _by_currency(counts: Mapping[str, int]) -> Counter[str]:
    found = Counter[str]()
    for text, n in counts.items():
        found[_NAMES.get(text.lower().rstrip("."), "")] += n
    return found
