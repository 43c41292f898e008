"""Does the present code do as well as the shipped table says? A small run, each figure with its own error."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from scipy.stats import norm

from pipeline.questions.calibration import CalibrationRow

# A run in which nothing has changed is stopped by chance once in so many.
ONCE_IN = 1000
# Where so few of the small run would have an estimate, it cannot tell.
FEWEST = 20


@dataclass(frozen=True)
class Look:
    """One figure of the small run beside the shipped one; `error` is the standard error of their difference."""

    setting: str
    figure: str
    fresh: float
    shipped: float
    error: float

    @property
    def off(self) -> float:
        """How many errors the fresh figure lies from the shipped one; NaN where either is unknown."""
        gap = abs(self.fresh - self.shipped)
        return gap / self.error if self.error > 0 else (0.0 if gap == 0 else math.nan)


def looks(fresh: Sequence[CalibrationRow], shipped: Sequence[CalibrationRow]) -> list[Look]:
    """Every figure that must hold, by setting and, for the ranges, over all settings together.

    Coverage of the ratio and of the difference, both biases, how often `differs` was said and how often a claim was
    false. A figure that the shipped table does not have, as bias where no one ratio is true, is no look, nor is one for
    which too few practices have an estimate. How small a fall of coverage shows: README.md beside this file.
    """
    before = {(row.setting, row.crowns): row for row in shipped}
    pairs = [(row, before[row.setting, row.crowns]) for row in fresh]
    found = [look for new, old in pairs for look in _of_setting(new, old)]
    for figure, n in (("log_hr_coverage", "log_hr_estimated"), ("difference_coverage", "difference_estimated")):
        new, old = (_pooled(rows, figure, n) for rows in zip(*pairs, strict=True))
        found.append(_share("all together", figure, new, old))
    return found


def breaches(found: Sequence[Look]) -> list[Look]:
    """The looks that lie further off than chance allows over all of them; what cannot be told is one too."""
    limit = float(norm.isf(0.5 / ONCE_IN / len(found)))
    return [look for look in found if not look.off <= limit]


def report(found: Sequence[Look], say: Callable[[str], None]) -> None:
    """Each figure in one line."""
    for look in found:
        beside = f"{look.fresh:8.3f}, shipped {look.shipped:8.3f}, {look.off:4.1f} errors off"
        say(f"{look.setting:<40} {look.figure:<28} {beside}")


def _of_setting(new: CalibrationRow, old: CalibrationRow) -> list[Look]:
    name = f"{new.setting}, {new.crowns} crowns"
    shares = (
        ("log_hr_coverage", "log_hr_estimated"),
        ("difference_coverage", "difference_estimated"),
        ("differs", "practices"),
        ("false_alarm_rate", "practices"),
        ("since_opening_false_differs", "practices"),
    )
    found = [
        _share(name, figure, (getattr(new, figure), getattr(new, n)), (getattr(old, figure), getattr(old, n)))
        for figure, n in shares
        if _can_tell(new, old, figure, n)
    ]
    for figure, n in (("log_hr_bias", "log_hr_estimated"), ("difference_bias", "difference_estimated")):
        if _can_tell(new, old, figure, n):
            error = math.hypot(getattr(new, f"{figure}_mc_error"), getattr(old, f"{figure}_mc_error"))
            found.append(Look(name, figure, getattr(new, figure), getattr(old, figure), error))
    return found


def _can_tell(new: CalibrationRow, old: CalibrationRow, figure: str, n: str) -> bool:
    """Whether the shipped table has a figure, and the small run should have one from enough practices."""
    expected = getattr(old, n) / old.practices * new.practices
    return math.isfinite(getattr(old, figure)) and expected >= FEWEST


def _share(setting: str, figure: str, new: tuple[float, int], old: tuple[float, int]) -> Look:
    # If nothing has changed both show one share; one of each kind is added, so that a share of 0 or 1 has an error too.
    (fresh, few), (shipped, many) = new, old
    share = (fresh * few + shipped * many + 1) / (few + many + 2)
    error = math.sqrt(share * (1 - share) * (1 / max(few, 1) + 1 / max(many, 1)))
    return Look(setting, figure, fresh, shipped, error)


def _pooled(rows: Sequence[CalibrationRow], figure: str, n: str) -> tuple[float, int]:
    judged = [row for row in rows if getattr(row, n) and math.isfinite(getattr(row, figure))]
    total = sum(getattr(row, n) for row in judged)
    return sum(getattr(row, figure) * getattr(row, n) for row in judged) / max(total, 1), total
