"""Failures that a whole group's experience leads one to expect of a part, and how far chance alone spreads counts.

Limits are exact for a Poisson count, drawn as a smooth line by letting the count be any number >= 0: the chance of k or
more with mean m is the regularised incomplete gamma function P(k, m), which is defined between whole counts too. A
whole count lies outside the line exactly if its own tail is smaller than half of what the line leaves out.
Sources: Spiegelhalter 2005; Garwood 1936.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammainc, gammaincc

from pipeline.stats.cox_kernel import ranks
from pipeline.stats.spells import Floats


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


HALVINGS = 80


def tails(observed: float, expected: float) -> tuple[float, float]:
    """Chance of as few or fewer, and of as many or more, than observed where `expected` is the mean.

    Raises ValueError for an expectation that is not above 0.
    """
    _check(expected)
    return float(gammaincc(observed + 1, expected)), float(gammainc(observed, expected)) if observed > 0 else 1.0


def limits(expected: ArrayLike, *, coverage: float) -> tuple[Floats, Floats]:
    """Lower and upper limit of observed / expected for each expectation; a count on the line is inside.

    The lower limit is 0 where not even a count of 0 would be unlikely enough.
    """
    wanted = np.atleast_1d(np.asarray(expected, dtype=np.float64))
    for one in wanted:
        _check(float(one))
    mean, tail = wanted, (1 - coverage) / 2
    most = mean + 20 * np.sqrt(mean) + 40
    # P(k or more) falls as k grows, P(k or fewer) rises.
    high = _bisect(lambda k: gammainc(np.maximum(k, 1e-300), mean) > tail, np.zeros_like(mean), most)
    low = _bisect(lambda k: gammaincc(k + 1, mean) < tail, np.zeros_like(mean), most)
    low = np.where(gammaincc(1.0, mean) >= tail, 0.0, low)
    return low / mean, high / mean


def _bisect(above: object, low: Floats, high: Floats) -> Floats:
    assert callable(above)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        still = above(middle)
        low, high = np.where(still, middle, low), np.where(still, high, middle)
    return (low + high) / 2


def _check(expected: float) -> None:
    if not expected > 0:
        raise ValueError("expected must be above 0")
