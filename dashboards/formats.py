"""How numbers, counts, dates and lists are written: one way everywhere."""

import datetime as dt
import math
from collections.abc import Sequence
from typing import TypeGuard

from pipeline.practice.counts import MINUS, count, more_or_fewer, plural, range_more_or_fewer, whole, years
from pipeline.results import DAYS_PER_YEAR

# Written one way by commands and pages alike, and taken from here by pages.
__all__ = ["MINUS", "count", "more_or_fewer", "plural", "range_more_or_fewer", "whole", "years"]

DASH = "–"


def months(days: int) -> str:
    """A stretch of days as `1 month`, `5 months`; at least one, as in the verdicts."""
    return count(max(1, round(12 * days / DAYS_PER_YEAR)), "month")


def known(value: float | None) -> TypeGuard[float]:
    """True for a number that can be written: neither missing, nor infinite, nor not-a-number."""
    return value is not None and math.isfinite(value)


def ratio(value: float | None) -> str:
    """A hazard ratio with two decimals, or a dash where it could not be worked out."""
    return f"{value:.2f}" if value is not None and known(value) else DASH


def decimal(value: float | None, places: int = 1) -> str:
    """A number with fixed decimals and a true minus, or a dash."""
    if value is None or not known(value):
        return DASH
    text = f"{value:,.{places}f}"
    return text.lstrip("-") if float(text.replace(",", "")) == 0 else text.replace("-", MINUS)


def in_place(survival: float) -> int:
    """Whole teeth of 100 still in place; halves go up, so that it and `failed` add to 100."""
    return math.floor(100 * survival + 0.5)


def failed(survival: float) -> int:
    """Whole teeth of 100 that failed: the rest of `in_place`."""
    return 100 - in_place(survival)


def spread(low: float, high: float) -> str:
    """`4 to 9`, for two numbers already rounded."""
    return f"{whole(low)} to {whole(high)}"


def percent(part: float, total: float) -> str:
    """A share with one decimal below 10 % and above 90 %, whole in between; a dash of nothing."""
    if not total:
        return DASH
    share = 100 * part / total
    return f"{share:.0f} %" if share in (0, 100) or 10 <= share <= 90 else f"{share:.1f} %"


def listing(items: Sequence[str], last: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def day(iso: str) -> str:
    """`31 December 2025` from an ISO date; other text is passed through."""
    try:
        date = dt.date.fromisoformat(iso[:10])
    except ValueError:
        return iso
    return f"{date.day} {date:%B %Y}"


def month(iso: str) -> str:
    """`December 2025` from an ISO date; nothing where the text is not a date, since it might say more than a month."""
    try:
        return f"{dt.date.fromisoformat(iso[:10]):%B %Y}"
    except ValueError:
        return ""


def phrase(identifier: str) -> str:
    """`age_at_seat` as words."""
    return identifier.replace("_", " ").strip()


def sentence_case(text: str) -> str:
    """The first letter large, the rest as it is."""
    return text[:1].upper() + text[1:]


def lower_first(text: str) -> str:
    """The first letter small, unless the first word is an abbreviation."""
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]
