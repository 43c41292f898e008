"""Limits that hold where few have failed: the larger of two errors, Student's t, and limits of a difference of shares.

With few failures three things make a normal interval too narrow. The error between patients is then a sum of few large
squares and comes out too small, more often than not below that of the model, which takes every failure as its own: the
larger of the two is used. It is itself uncertain: the quantile is that of Student's t, with the degrees of freedom that
Satterthwaite's rule [Satterthwaite 1946] gives to two groups whose log rates each have as much information as patients
who failed. And the difference of two shares near none is skewed: its limits come from those of the two shares, each on
the scale of the log cumulative hazard, by the method of variance estimates recovery [Zou 2008]. With many failures all
three go over into the normal interval.

Where a ratio has phases, the failures of one short phase may carry most of the error, however many there are in all.
Then the degrees of freedom are no more than the clusters that carry it, less one: of squared pulls s the number
sum(s)^2 / sum(s^2), which is that of the clusters where all pull alike.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, stdtr, stdtrit

from pipeline.stats.cox import Contrast, CoxEstimate, CoxFit
from pipeline.stats.cox_kernel import Floats
from pipeline.stats.limits import z_value

# Below so many failures in a group no hazard ratio is given: its error is then a guess.
MIN_FAILURES_OF_RATIO = 5


@dataclass(frozen=True)
class Allowance:
    """What few failures ask for: `larger` multiplies errors, `freedom` are the degrees of freedom of Student's t."""

    larger: float = 1.0
    freedom: float = math.inf

    def quantile(self, confidence: float) -> float:
        """Quantile of a two-sided interval; the normal one where the degrees of freedom are infinite.

        Raises ValueError unless 0 < confidence < 1.
        """
        z = z_value(confidence)
        return float(stdtrit(self.freedom, 0.5 + confidence / 2)) if math.isfinite(self.freedom) else z

    def p(self, estimate: float, error: float) -> float:
        """Two-sided p of an estimate with an error that is not yet multiplied; NaN without an error."""
        t = -abs(estimate / (self.larger * error)) if error else math.nan
        return float(2 * (stdtr(self.freedom, t) if math.isfinite(self.freedom) else ndtr(t)))

    def carried_by(self, clusters: float) -> Allowance:
        """The same for an error that so many clusters carry: no more degrees of freedom than they have less one."""
        return Allowance(self.larger, min(self.freedom, max(clusters - 1, 1.0)))


NONE = Allowance()


def failed_patients(failures: float, squares: float) -> float:
    """How many patients with one failure each tell as much as these: failures squared over the sum of their squares.

    `squares` is the sum over patients of their failures squared. 0 without failures.
    """
    return failures**2 / squares if squares else 0.0


def failed_in(fit: CoxFit, state: str) -> float:
    """`failed_patients` of the rows of a fit whose column `state` is 1; the fit has clusters, one a patient."""
    rows = fit.design.rows
    mine = rows.event & (rows.x[:, fit.names.index(state)] == 1)
    unit = np.arange(len(mine)) if rows.cluster is None else rows.cluster
    return failed_patients(int(mine.sum()), int((np.bincount(unit[mine]) ** 2).sum()))


def degrees_of_freedom(one: float, other: float) -> float:
    """Degrees of freedom of the log ratio of two rates, from how many patients failed in each group.

    1 / n is the variance of a log rate from n independent failures, known with n - 1 degrees of freedom. At least 1.
    """
    counts = [max(n, 1.0) for n in (one, other)]
    total = sum(1 / n for n in counts)
    spread = sum((1 / n) ** 2 / (n - 1) if n > 1 else math.inf for n in counts)
    return max(total**2 / spread, 1.0)


def pair(group: str, reference: str, names: Collection[str]) -> dict[str, float]:
    """The coefficients of `group` over `reference`; a group without a column is the reference of the model."""
    return {name: sign for name, sign in ((group, 1.0), (reference, -1.0)) if name in names}


def allow(fit: CoxEstimate, group: str, reference: str, failed: Mapping[str, float]) -> Allowance:
    """The allowance for a comparison of two groups of a fit; `failed` has the failed patients of each group.

    `larger` is the model's error of their log ratio over the robust one, where that is smaller.
    """
    along = pair(group, reference, fit.names)
    vector = np.array([along.get(name, 0.0) for name in fit.names])
    larger = 1.0
    if fit.robust_cov is not None:
        robust = float(vector @ fit.robust_cov @ vector)
        larger = math.sqrt(max(1.0, float(vector @ fit.model_cov @ vector) / robust)) if robust > 0 else 1.0
    return Allowance(larger, degrees_of_freedom(failed.get(group, 0.0), failed.get(reference, 0.0)))


def careful_ratio(
    fit: CoxEstimate, group: str, reference: str, failed: Mapping[str, float], *, confidence: float
) -> Contrast:
    """The log hazard ratio of two groups, with the larger error and limits and p by Student's t."""
    log = fit.contrast(pair(group, reference, fit.names), confidence=confidence)
    if not math.isfinite(log.se):
        return log
    allowance = allow(fit, group, reference, failed)
    error = allowance.larger * log.se
    half = allowance.quantile(confidence) * error
    p = allowance.p(log.estimate, log.se)
    return Contrast(log.estimate, error, log.estimate - half, log.estimate + half, p)


def difference_limits(shares: Floats, cov: Floats, allowance: Allowance, *, confidence: float) -> tuple[float, float]:
    """Limits of the first of two shares minus the second, from their covariance.

    Each share has limits on the log cumulative hazard of what it leaves; the distances to them are put together as
    errors of a difference are, with the correlation of the two. A share of 0 or 1 has no such scale, and plain limits.
    """
    errors = allowance.larger * np.sqrt(np.diag(cov))
    scale = float(np.sqrt(cov[0, 0] * cov[1, 1]))
    correlation = float(cov[0, 1]) / scale if scale > 0 else 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        log = np.log1p(-shares)
        step = allowance.quantile(confidence) * errors
        low, high = (-np.expm1(log * np.exp(side * step / ((1 - shares) * -log))) for side in (-1, 1))
    has_scale = (shares > 0) & (shares < 1)
    below, above = (np.where(has_scale, gap, step) for gap in (shares - low, high - shares))

    def reach(one: float, other: float) -> float:
        return math.sqrt(max(one**2 + other**2 - 2 * correlation * one * other, 0.0))

    middle = float(shares[0] - shares[1])
    return middle - reach(below[0], above[1]), middle + reach(above[0], below[1])
