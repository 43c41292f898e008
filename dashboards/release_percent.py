"""Shares and ratios as they may leave: no finer than five teeth of the group they describe.

A whole percentage of 60 teeth names the count behind it, whatever is done to the count itself. So a percentage moves
in steps that are worth at least five teeth: of 500 teeth in steps of 1, of 100 in steps of 5. Hazard ratios lose
their third figure, since the width of a range tells how many failures are behind it.
"""

from __future__ import annotations

import math

from dashboards.formats import known
from dashboards.release_count import STEP

STEPS = (1, 2, 5, 10, 20)
_CLOSE = 1e-9


def percent_step(n: int) -> int | None:
    """The smallest step of percentages worth five of `n` teeth; None where even a fifth is worth fewer."""
    return next((s for s in STEPS if s * n >= 100 * STEP), None)


def nearest(value: float, step: int) -> int:
    """`value` (percent, or per 100) to the nearest step; halves go up."""
    return step * math.floor(value / step + 0.5 + _CLOSE)


def outward(low: float, high: float, step: int) -> tuple[int, int]:
    """A range widened to whole steps, so that it never claims more than the exact one."""
    return step * math.floor(low / step + _CLOSE), step * math.ceil(high / step - _CLOSE)


def share_range(mid: float, low: float, high: float, step: int) -> tuple[int, int, int]:
    """Three shares between 0 and 1 as percentages on the step, within 0 and 100."""
    ends = outward(100 * low, 100 * high, step)
    return nearest(100 * mid, step), max(0, ends[0]), min(100, ends[1])


def round_ratio(value: float) -> float:
    """A ratio to 0.1, below 1 to 0.05."""
    if not known(value):
        raise ValueError("a ratio that is not known cannot be released")
    return round(value, 1) if value >= 1 else round(round(20 * value) / 20, 2)
