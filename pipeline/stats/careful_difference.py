"""Two Kaplan-Meier curves at one day, with limits that hold where few failed and a p that agrees with them."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincinv

from pipeline.stats.differences import Group, survival_difference
from pipeline.stats.few_failures import (
    MIN_FAILURES_OF_RATIO,
    Allowance,
    degrees_of_freedom,
    difference_limits,
    failed_patients,
)
from pipeline.stats.kaplan_meier import Curve, kaplan_meier
from pipeline.stats.spells import Ints, Values, numbered

_MOST_SURE = 1 - 1e-9


@dataclass(frozen=True)
class CarefulDifference:
    """Failures of `group` minus those of `reference`, shares by one day; `p` is that of no difference.

    `p` and the limits agree: the limits at confidence 1 - p end at 0.
    """

    estimate: float
    low: float
    high: float
    p: float


def careful_difference(
    group: Group, reference: Group, day: int, *, confidence: float = 0.95
) -> CarefulDifference | None:
    """Difference of the shares that failed by `day`; None where a curve ends before it, none failed, or all in one did.

    Both groups need clusters; one cluster may lie in both. The larger of the error between clusters and Greenwood's is
    taken, with Student's t by the clusters that failed, and limits from those of the two shares on the log cumulative
    hazard (`few_failures.py`, with its references). Where fewer than five clusters failed in a group, t has so few
    degrees of freedom that it would tell nothing: the limits of each cumulative hazard are then those of its count
    [Garwood 1936].
    """
    found = survival_difference(group, reference, [day], confidence=confidence)
    curves = [_curve(side, clustered=True) for side in (group, reference)]
    errors = np.array([float(c.at([day]).std_error[0]) for c in curves])
    shares = np.array([1 - float(c.at([day]).survival[0]) for c in curves])
    covariance = float(found.covariance[0])
    known = np.isfinite([*errors, *shares, found.estimate[0], found.std_error[0]]).all()
    estimate, failed = float(shares[0] - shares[1]), [_failed(side, day) for side in (group, reference)]
    if not known or not (shares < 1).all() or not any(failed):
        return None
    if min(failed) < MIN_FAILURES_OF_RATIO:
        followed = [_followed(side, day) for side in (group, reference)]
        ends = list(zip(shares.tolist(), failed, followed, strict=True))
        return _with_p(estimate, lambda level: _counted_limits(ends, confidence=level), confidence)
    plain = [float(_curve(side, clustered=False).at([day]).std_error[0]) for side in (group, reference)]
    robust = float(found.std_error[0]) ** 2
    larger = float(np.sqrt(max(1.0, (plain[0] ** 2 + plain[1] ** 2) / robust))) if robust > 0 else 1.0
    allowance = Allowance(larger, degrees_of_freedom(*failed))
    cov = np.array([[errors[0] ** 2, covariance], [covariance, errors[1] ** 2]])

    def limits(level: float) -> tuple[float, float]:
        return difference_limits(shares, cov, allowance, confidence=level)

    return _with_p(estimate, limits, confidence)


def _with_p(estimate: float, limits: Callable[[float], tuple[float, float]], confidence: float) -> CarefulDifference:
    return CarefulDifference(estimate, *limits(confidence), _p(limits))


def _counted_limits(ends: Sequence[tuple[float, float, int]], *, confidence: float) -> tuple[float, float]:
    """Limits of the first of two shares minus the second, each known by how many clusters failed and were followed."""
    tail = (1 - confidence) / 2
    below, above = [], []
    for share, failed, followed in ends:
        hazard = -math.log1p(-share)
        low = hazard * float(gammaincinv(failed, tail)) / failed if failed else 0.0
        high = hazard * float(gammaincinv(failed + 1, 1 - tail)) / failed if failed else -math.log(tail) / followed
        below.append(share + math.expm1(-low))
        above.append(-math.expm1(-high) - share)
    middle = ends[0][0] - ends[1][0]
    return middle - math.hypot(below[0], above[1]), middle + math.hypot(above[0], below[1])


def _p(limits: Callable[[float], tuple[float, float]]) -> float:
    """One minus the confidence at which a limit first reaches 0; limits widen with confidence, so halves find it."""
    below, above = 0.0, _MOST_SURE
    for _ in range(50):
        middle = (below + above) / 2
        low, high = limits(middle) if middle > 0 else (0.0, 0.0)
        holds = low <= 0 <= high
        below, above = (below, middle) if holds else (middle, above)
    return float(1 - above)


def _curve(side: Group, *, clustered: bool) -> Curve:
    columns = side.columns()
    if not clustered:
        columns["cluster"] = None
    return kaplan_meier(side.exit_days, side.event, **columns)


def _failed(side: Group, day: int) -> float:
    """How many clusters with one failure by `day` each tell as much as these."""
    mine = np.asarray(side.event).astype(np.bool_) & (np.asarray(side.exit_days) <= day)
    assert side.cluster is not None
    counts = np.bincount(_codes(side.cluster)[mine])
    return failed_patients(int(counts.sum()), int((counts**2).sum()))


def _followed(side: Group, day: int) -> int:
    """Clusters with a row that was followed to `day`; at least one."""
    assert side.cluster is not None
    return max(len(np.unique(_codes(side.cluster)[np.asarray(side.exit_days) >= day])), 1)


def _codes(labels: Values) -> Ints:
    return np.asarray(numbered(labels)[0])
