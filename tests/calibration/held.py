"""Does the present code do as well as the shipped table says? A small run, each figure with its own error."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from scipy.stats import norm

from pipeline.calibration import CalibrationRow

# A run in which nothing has changed is stopped by chance once in so many.
ONCE_IN = 1000


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
    false. How small a fall of coverage shows: README.md beside this file.
    """
    before = {row.setting: row for row in shipped}
    pairs = [(row, before[row.setting]) for row in fresh]
    found = [look for new, old in pairs for look in _of_setting(new, old)]
    for figure, n in (("log_hr_coverage", "log_hr_estimated"), ("difference_coverage", "difference_estimated")):
        found.append(_share("all together", figure, _pooled(fresh, figure, n), _pooled(shipped, figure, n)))
    return found


def breaches(found: Sequence[Look]) -> list[Look]:
    """The looks that lie further off than chance allows over all of them; what cannot be told is one too."""
    limit = float(norm.isf(0.5 / ONCE_IN / len(found)))
    return [look for look in found if not look.off <= limit]


def report(found: Sequence[Look], say: Callable[[str], None]) -> None:
    """Each figure in one line."""
    for look in found:
        beside = f"{look.fresh:8.3f}, shipped {look.shipped:8.3f}, {look.off:4.1f} errors off"
        say(f"{look.setting:<24} {look.figure:<20} {beside}")


def _of_setting(new: CalibrationRow, old: CalibrationRow) -> list[Look]:
    shares = (
        ("log_hr_coverage", "log_hr_estimated"),
        ("difference_coverage", "difference_estimated"),
        ("differs", "practices"),
        ("false_alarm_rate", "practices"),
    )
    found = [
        _share(new.setting, figure, (getattr(new, figure), getattr(new, n)), (getattr(old, figure), getattr(old, n)))
        for figure, n in shares
    ]
    for figure in ("log_hr_bias", "difference_bias"):
        error = math.hypot(getattr(new, f"{figure}_mc_error"), getattr(old, f"{figure}_mc_error"))
        found.append(Look(new.setting, figure, getattr(new, figure), getattr(old, figure), error))
    return found


def _share(setting: str, figure: str, new: tuple[float, int], old: tuple[float, int]) -> Look:
    # If nothing has changed both show one share; one of each kind is added, so that a share of 0 or 1 has an error too.
    (fresh, few), (shipped, many) = new, old
    share = (fresh * few + shipped * many + 1) / (few + many + 2)
    error = math.sqrt(share * (1 - share) * (1 / max(few, 1) + 1 / max(many, 1)))
    return Look(setting, figure, fresh, shipped, error)


def _pooled(rows: Sequence[CalibrationRow], figure: str, n: str) -> tuple[float, int]:
    judged = [row for row in rows if getattr(row, n)]
    total = sum(getattr(row, n) for row in judged)
    return sum(getattr(row, figure) * getattr(row, n) for row in judged) / max(total, 1), total
