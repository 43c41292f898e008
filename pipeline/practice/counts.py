"""How counts and years are written in a sentence: one way in commands, pages and slides."""

MINUS = "−"
IRREGULAR = {
    "tooth": "teeth", "analysis": "analyses", "is": "are", "was": "were", "has": "have", "does": "do",
    "differs": "differ", "holds": "hold", "lacks": "lack", "lies": "lie", "rests": "rest", "stands": "stand",
}  # fmt: skip


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


def more_or_fewer(value: float) -> str:
    """`6 more`, `2 fewer`, `0`."""
    return "0" if value == 0 else f"{abs(value)} {'more' if value > 0 else 'fewer'}"


def range_more_or_fewer(low: float, high: float) -> str:
    """`13 to 30 more`, `2 to 8 fewer`, `4 fewer to 9 more`, `0 to 9 more`."""
    if low * high > 0:
        near, far = sorted((abs(low), abs(high)))
        return f"{near} to {far} {'more' if low > 0 else 'fewer'}"
    return f"{more_or_fewer(low)} to {more_or_fewer(high)}"
