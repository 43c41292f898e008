"""Shares and ratios as they may leave: no finer than five teeth of the group they describe.

A whole percentage of 60 teeth names the count behind it, whatever is done to the count itself. So a percentage moves
in steps that are worth at least five teeth of the told count, and is told only where at least 11 teeth are behind it
and 11 are not. Hazard ratios lose their third figure, since the width of a range tells how many failures are behind it.
"""

import math
from collections.abc import Iterable

from dashboards.formats import known
from pipeline.release.disclosure import ONE_IN_AVERAGES, SMALLEST, Gate, nearest_step, step_per_100

_CLOSE = 1e-9
FEW_BEHIND = f"a share with fewer than {SMALLEST} teeth behind it or beside it"
NO_STEP = "a share of a group too small for any step"


def percent_step(told: int | None) -> int | None:
    """The smallest step of percentages worth five of a group told as `told`; None where there is none."""
    return None if told is None else step_per_100(told)


def share_step(gate: Gate, told: int | None) -> int | None:
    """The step on which shares of a group told as `told` stand; None, and noted, where they may not be told.

    Of a group of which one patient could be more than a tenth they would tell what became of his teeth.
    """
    if told is not None and not gate.averages(told):
        gate.withhold(ONE_IN_AVERAGES)
        return None
    step = percent_step(told)
    if step is None:
        gate.withhold(NO_STEP)
    return step


def outward(low: float, high: float, step: int) -> tuple[int, int]:
    """A range widened to whole steps, so that it never claims more than the exact one."""
    return step * math.floor(low / step + _CLOSE), step * math.ceil(high / step - _CLOSE)


def difference_on_step(
    mid: float, low: float, high: float, teeth: Iterable[int | None]
) -> tuple[int, tuple[int, int], int] | None:
    """A difference per 100, its ends and the step that they stand on: the coarsest of the groups told as so many.

    None where a group is hidden or too small for any step.
    """
    steps = [percent_step(n) for n in teeth]
    known_steps = [s for s in steps if s is not None]
    if not steps or len(known_steps) < len(steps):
        return None
    step = max(known_steps)
    return nearest_step(mid + _CLOSE, step), outward(low, high, step), step


def borne_out(code: str, mid: int, low: int, high: int, *, smallest: float) -> str:
    """The verdict, as far as the figures that are shown bear it out."""
    shown = {"differs": mid != 0 and (low > 0 or high < 0), "little_difference": -smallest <= low and high <= smallest}
    return code if shown.get(code, True) else "cannot_tell"


def share_range(gate: Gate, mid: float, low: float, high: float, step: int) -> tuple[int, int, int]:
    """Three shares between 0 and 1 as percentages on the step, within 0 and 100."""
    ends = outward(100 * low, 100 * high, step)
    return gate.rounding.share(100 * mid, step), max(0, ends[0]), min(100, ends[1])


def release_share(
    gate: Gate, shares: tuple[float, float, float], *, of: int | None, behind: float, beside: float
) -> tuple[int, int, int] | None:
    """A share with its range; None where its group is hidden or small, or few teeth make it.

    `behind` is at least how many teeth make the share, `beside` how many of the group do not.
    """
    if not all(map(known, shares)) or (step := share_step(gate, of)) is None:
        return None
    if not (gate.enough(behind) and gate.enough(beside)):
        gate.withhold(FEW_BEHIND)
        return None
    return share_range(gate, *shares, step)


def round_ratio(value: float) -> float:
    """A ratio to 0.1, below 1 to 0.05."""
    if not known(value):
        raise ValueError("a ratio that is not known cannot be released")
    return round(value, 1) if value >= 1 else round(round(20 * value) / 20, 2)


def ratio_range(mid: float, low: float, high: float) -> tuple[float, float, float]:
    """A ratio on its step with its range, which is widened to whole steps."""
    down, up = (20 if v < 1 else 10 for v in (low, high))
    return round_ratio(mid), math.floor(down * low + _CLOSE) / down, math.ceil(up * high - _CLOSE) / up
