"""Failures that a whole group's experience leads one to expect of a part of it, over any stretch of follow-up."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.stats.cox_kernel import ranks

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Hazard:
    """Cumulative hazard of a row with score 1: `total` just after each of `days`, 0 before the first."""

    days: Floats
    total: Floats

    def until(self, day: ArrayLike) -> Floats:
        """Cumulative hazard up to and including a day; 0 for days before the start."""
        days = np.asarray(day, dtype=np.float64)
        place = ranks(self.days, days) if len(self.days) else np.zeros(days.shape, dtype=np.intp)
        found: Floats = np.concatenate([[0.0], self.total])[place]
        return found


def breslow_hazard(exit_days: ArrayLike, event: ArrayLike, score: ArrayLike) -> Hazard:
    """Breslow's cumulative hazard [Breslow 1972] of rows followed from day 0, each with its relative hazard `score`.

    A day with d failures adds d over the summed scores of the rows still followed on it (exit >= day). So the expected
    failures of all rows, score x hazard until exit, add up to the observed ones.
    """
    day, failed, weight = (np.asarray(v, dtype=np.float64) for v in (exit_days, event, score))
    order = np.lexsort((weight, day))
    day, failed, weight = day[order], failed[order], weight[order]
    days, first = np.unique(day, return_index=True)
    if not len(days):
        return Hazard(days, days)
    at_risk = np.cumsum(weight[::-1])[::-1][first]
    return Hazard(days, np.cumsum(np.add.reduceat(failed, first) / at_risk))
