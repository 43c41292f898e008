"""How counts and years are written in a sentence: one way in commands, pages and slides."""

from __future__ import annotations

MINUS = "−"
IRREGULAR = {
    "tooth": "teeth",
    "analysis": "analyses",
    "is": "are",
    "was": "were",
    "has": "have",
    "does": "do",
    "differs": "differ",
    "holds": "hold",
    "lacks": "lack",
    "lies": "lie",
    "rests": "rest",
    "stands": "stand",
}


def whole(value: float) -> str:
    """A count with thousands marked: 12,345."""
    return f"{value:,.0f}".replace("-", MINUS)


def plural(n: float, noun: str) -> str:
    """The noun (or verb of `IRREGULAR`) as it follows the number `n`; the last word of a phrase changes."""
    if n == 1:
        return noun
    head, _, last = noun.rpartition(" ")
    many = IRREGULAR.get(last) or (f"{last[:-1]}ies" if last.endswith("y") and last[-2] not in "aeiou" else f"{last}s")
    return f"{head} {many}" if head else many


def count(n: float, noun: str, verb: str = "") -> str:
    """`1 crown`, `1,200 teeth`; with a verb of `IRREGULAR`, `1 row is`, `2 rows are`."""
    return f"{whole(n)} {plural(n, noun)}{f' {plural(n, verb)}' if verb else ''}"


def years(value: float) -> str:
    """`1 year`, `5 years`, `2.5 years`."""
    return f"{value:g} {plural(value, 'year')}"
