"""Amounts and numbers below zero in columns that nothing reads: a row that takes another one back.

`Qty` -1 at a fee above zero, or a signed `Line Total` beside an unsigned fee. The headings are in seven languages, from
memory: common practice, no source.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping

import polars as pl

from pipeline.practice.tables import REVERSAL
from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger, status_from
from pipeline.reading.headings import plain_heading, word_list
from pipeline.reading.suggest.toml_quote import quoted

(_NUMBERS, _AMOUNTS) = word_list("headings of numbers"), word_list("headings of amounts")
# How a number below zero begins or ends, as a pattern of `status_from`.
_BEGINS, _ENDS = ("-", "−", "–", "(", "<"), ("-", "−", "cr", "cr.")
_SIGNED = r"^[\s$€£]*[-−–(<]|[-−]\s*$|(?i:cr\.?\s*$)"
_AMOUNT = r"^[\s$€£(<+−–-]*\d[\d,.' ]*\d[\s)>−-]*$"
_LOOK_AT = 2_000
# Of these an amount below zero takes no work back.
_OTHER_MONEY = word_list("headings of other money")
_BACK_DAYS, _LEAST_BACK, _SHARE_BACK = 60, 3, 0.5
_ZEROS = r"^0+(?:[.,]0+)?$"


def amount_columns(headings: Iterable[str]) -> list[str]:
    """Headings of numbers that are below zero, or none at all, where a row takes another one back."""
    return [h for h in headings if plain_heading(h) in _NUMBERS | _AMOUNTS]


def signed_columns(rows: pl.DataFrame, headings: Iterable[str]) -> list[str]:
    """Those headings under which the first rows hold amounts, a few of them below zero, and no other kind of money."""
    found = []
    for heading in headings:
        if heading.startswith("(") or _OTHER_MONEY & set(plain_heading(heading).split()):
            continue
        text = rows.get_column(heading).head(_LOOK_AT).cast(pl.String).str.strip_chars().replace("", None).drop_nulls()
        if text.len() and text.str.contains(_AMOUNT).sum() >= 0.9 * text.len():
            below = int(text.str.contains(_SIGNED).sum())
            found += [heading] if 0 < below <= 0.3 * text.len() else []
    return found


def below_zero(texts: pl.Series) -> Counter[tuple[str, str]]:
    """Rows by pattern and what it makes of a row, of texts of rows that have a code and no fee below zero.

    An empty pattern and word count the numbers that are not 0: where there is none, 0 tells nothing.
    """
    counts = texts.drop_nulls().value_counts(name="n")
    name = counts.columns[0]
    number = counts.filter(pl.col(name).str.contains(r"[1-9]")).height
    found: Counter[tuple[str, str]] = Counter({("", ""): number}) if number else Counter()
    for text, n in counts.filter(pl.col(name).str.contains(_SIGNED) & pl.col(name).str.contains(r"[1-9]")).iter_rows():
        low = text.strip().lower()
        begins = [f"{sign}*" for sign in _BEGINS if low.startswith(sign)]
        ends = [f"*{sign}" for sign in _ENDS if low.endswith(sign)]
        found[next(iter(begins + ends), "*-*"), REVERSAL] += n
    for text, n in counts.filter(pl.col(name).str.contains(_ZEROS)).iter_rows():
        found[text, "void"] += n
    return found


def below_zero_doubts(
    where: str, found: Mapping[str, Counter[tuple[str, str]]], *, rows: int, has_fee: bool, told: Collection[str]
) -> list[Doubt]:
    """Columns with numbers below zero, or with 0 pieces among others, that nothing reads."""
    doubts = []
    for heading, counts in found.items():
        # A fee of 0 is a fee; 0 pieces of a thing are none.
        kept = {mark: n for mark, n in counts.items() if mark[0] and (mark[1] == REVERSAL or _is_number(heading))}
        made = {form: word if has_fee else "void" for form, word in sorted(kept)}
        if not made or not counts["", ""]:
            continue
        n = sum(n for (_, word), n in kept.items() if word == REVERSAL)
        none = sum(kept.values()) - n
        seen = [f"a number below zero in {n:,}"] if n else []
        seen += [f"0 in {none:,}"] if none else []
        doubts += ask(
            "below_zero" if has_fee else "below_zero.no_fee",
            where,
            f'column "{heading}" is not read, and of {rows:,} rows it holds {" and ".join(seen)}, where '
            "there is a procedure and no fee below zero.",
            status_from(
                heading,
                made,
                ("yes: such a row takes back the one of the same work and fee" if has_fee else "it is void")
                + ("; correct the words, and add these to the line that is there" if heading in told else ""),
            ),
            None
            if _is_number(heading)
            else of_ledger(f"columns.fee = {quoted(heading)}", "or read this one as the fee"),
        )
    return doubts


def _is_number(heading: str) -> bool:
    return plain_heading(heading) in _NUMBERS


def void_doubts(where: str, rows: pl.DataFrame) -> list[Doubt]:
    """Rows with an amount below zero whose status lets them not stand, where the row of the same work and amount, which
    they take back, does; `rows` is as `rows_held.RowsHeld.whole`."""
    keys = ["patient", "code", "tooth", "fee"]
    back = rows.filter(pl.col("takes_back").fill_null("") != "").with_columns(fee=-pl.col("fee")).with_row_index("n")
    first = rows.filter(pl.col("takes_back").is_null()).select(*keys, "day")
    both = back.join(first, on=keys, suffix="_first", nulls_equal=True)
    apart = (pl.col("day") - pl.col("day_first")).dt.total_days()
    met = both.filter(apart.is_between(0, _BACK_DAYS)).unique("n")
    if met.height < max(_LEAST_BACK, _SHARE_BACK * back.height):
        return []
    words = sorted(met["takes_back"].unique())
    return ask(
        "below_zero.void",
        where,
        f"{met.height:,} of {back.height:,} rows with an amount below zero and a status that lets them not stand "
        f"({', '.join(words)}) come after a row of the same work and amount that stands.",
        *(of_ledger(f'values.status.{quoted(word)} = "completed"', "yes") for word in words),
    )
