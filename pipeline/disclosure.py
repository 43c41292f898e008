"""Rules for figures that leave the practice: pure functions of counts, the same for every file and page that is shared.

Counts under 11 are hidden and others rounded to 5; a running count changes only when at least 5 further events lie
behind the change; nothing is told of a stretch in which fewer than 11 are followed; shares and differences per 100
move in steps worth at least five of the group, and logarithms of ratios in steps worth at least five failures of the
smaller group. The steps follow from the rounded counts, so that they tell no more than these.
"""

from __future__ import annotations

import math
import string
from collections.abc import Iterable, Sequence

SMALLEST = 11
STEP = 5
EVENTS_PER_CHANGE = 5
STEPS_PER_100 = (1, 2, 5, 10, 20)
LOG_STEPS = (0.01, 0.02, 0.03, 0.05, 0.07, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5)
ERROR_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
_CLOSE = 1e-6
# Characteristics that comparisons adjust for; a name that is none of ours may say something of a practice.
COVARIATES = (
    "age at the seat",
    "age at completion",
    "age of the crown",
    "sex",
    "tooth group",
    "material",
    "bruxism",
    "smoking",
    "diabetes",
    "year of the seat",
    "year of completion",
    "clinician",
)
OTHER_COVARIATE = "another recorded characteristic"


def rounded_count(n: int) -> int | None:
    """A count to the nearest 5, or None (hidden) under 11."""
    return STEP * ((n + STEP // 2) // STEP) if n >= SMALLEST else None


def is_rounded(value: object) -> bool:
    """True for what `rounded_count` may give: None, or a whole multiple of 5 from 10 on."""
    if value is None:
        return True
    return type(value) is int and value >= SMALLEST - 1 and value % STEP == 0


def fewest_behind(told: int) -> int:
    """The smallest count that is rounded to `told`."""
    return max(SMALLEST, told - STEP // 2)


def protected(counts: Sequence[int], *, left_out: bool = False) -> list[int | None]:
    """Rounded counts of one table whose total is told elsewhere.

    Where exactly one count is hidden and no row was left out, the total less the others would come close to it, so the
    smallest of the others is hidden too. A table of one row is its own total.
    """
    released = [rounded_count(n) for n in counts]
    hidden = [i for i, c in enumerate(released) if c is None]
    alone = (len(hidden) == 1 and not left_out) or (not hidden and left_out)
    if alone and len(counts) > 1:
        released[min((i for i in range(len(counts)) if i not in hidden), key=lambda i: counts[i])] = None
    return released


def running_count(totals: Sequence[int]) -> list[int | None]:
    """A count that only grows, rounded at each step and held until 5 more events have happened; None under 11."""
    out: list[int | None] = []
    held: int | None = None
    behind = 0
    for total in totals:
        if total >= SMALLEST and (held is None or total - behind >= EVENTS_PER_CHANGE):
            held, behind = rounded_count(total), total
        out.append(held)
    return out


def step_per_100(told: int) -> int | None:
    """The smallest step of percentages worth five of a group whose rounded count is `told`; None where none is."""
    return next((s for s in STEPS_PER_100 if s * fewest_behind(told) >= 100 * STEP), None)


def log_step(failures_told: int) -> float:
    """The smallest step of a logarithm of a ratio worth five failures of the smaller group, told by its rounded count.

    One failure more or less among n moves the logarithm of a rate by about 1/n.
    """
    return next(s for s in LOG_STEPS if s * fewest_behind(failures_told) >= STEP)


def nearest_step(value: float, step: int) -> int:
    """A value per 100 to the nearest step; halves go up."""
    return step * math.floor(value / step + 0.5)


def nearest_log(value: float, step: float) -> float:
    """A logarithm to the nearest step, with no minus before a 0."""
    return round(step * math.floor(value / step + 0.5), 2) + 0.0


def rounded_error(std_error: float, *, step: float, failures_told: int) -> float:
    """A standard error with that of rounding the estimate to `step` added to it, rounded up.

    An error falls with the square root of the failures, so its own steps are worth five failures as well.
    """
    whole = math.sqrt(std_error**2 + step**2 / 12)
    own = next((s for s in ERROR_STEPS if s >= _worth(whole, failures_told)), ERROR_STEPS[-1])
    return round(own * math.ceil(whole / own - _CLOSE), 2)


def is_rounded_error(value: float, *, failures_told: int) -> bool:
    """True for what `rounded_error` may give."""
    return any(
        on_step(value, s) and (s >= _worth(value - s, failures_told) - _CLOSE or s == ERROR_STEPS[-1])
        for s in ERROR_STEPS
    )


def sayable_covariates(given: Iterable[str], known: Iterable[str] = COVARIATES) -> tuple[str, ...]:
    """Characteristics by their known names, any other ones together as one."""
    names = frozenset(known)
    return tuple(dict.fromkeys(c if c in names else OTHER_COVARIATE for c in given))


def nth_letter(index: int) -> str:
    """What stands for a name: A to Z, then AA, AB and so on, from 0."""
    head, tail = divmod(index, len(string.ascii_uppercase))
    return (nth_letter(head - 1) if head else "") + string.ascii_uppercase[tail]


def on_step(value: float, step: float) -> bool:
    """True for a whole multiple of the step."""
    return abs(value / step - round(value / step)) < _CLOSE


def _worth(std_error: float, failures_told: int) -> float:
    """How much five failures more or less move a standard error."""
    return STEP / 2 * std_error / fewest_behind(failures_told)
