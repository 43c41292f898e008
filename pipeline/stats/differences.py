"""Two groups compared on the scale that people use: share failed by a day, and mean days free of failure.

Teeth of one patient may lie in both groups. Their curves then move together, so the error of a difference is taken
from each patient's pull on the difference itself, not from the two errors added up.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from pipeline.stats.kaplan_meier import survival_influence
from pipeline.stats.limits import z_value
from pipeline.stats.spells import Floats, Values, distinct_days, position_in


@dataclass(frozen=True)
class Group:
    """The rows of one group, as the estimators take them."""

    exit_days: Values
    event: Values
    entry_days: Values | None = None
    weights: Values | None = None
    cluster: Values | None = None

    def columns(self) -> dict[str, Any]:
        """The optional columns by the names of the estimators' parameters."""
        return {
            "entry_days": self.entry_days,
            "weights": self.weights,
            "cluster": self.cluster,
        }


@dataclass(frozen=True)
class Differences:
    """`group` minus `reference`, one value per day; NaN on days on which either group is no longer followed.

    Error, limits and p are NaN too where neither group has failed yet.
    `covariance` is that of the two estimates, 0 where no unit has rows in both. `p` tests a difference of 0.
    """

    days: NDArray[np.int64]
    estimate: Floats
    std_error: Floats
    low: Floats
    high: Floats
    p: Floats
    covariance: Floats
    confidence: float


def survival_difference(
    group: Group, reference: Group, days: ArrayLike, *, from_day: int = 0, confidence: float = 0.95
) -> Differences:
    """Difference in survival at fixed days, from two Kaplan-Meier curves.

    Above 0 means that `group` lasted longer; the difference in failures is the same with the sign turned. With
    `from_day` both curves are conditional on being followed past that day. The variance is the infinitesimal jackknife
    grouped by cluster over both groups; without clusters or late entry it is the sum of the two Greenwood variances.
    Limits are plain. A share of 0 has no error of its own here: its day is NaN. A group without failures adds no error,
    so limits are too narrow where one has few: ask for a number of failures before showing them.
    """
    one, other = (
        survival_influence(side.exit_days, side.event, days, from_day=from_day, **side.columns())
        for side in (group, reference)
    )
    known = _known(group, one.days) & _known(reference, one.days) & (one.days >= from_day)
    known &= (one.survival > 0) & (other.survival > 0)
    pulls = _aligned((one.units, one.values), (other.units, other.values), _shares_units(group, reference))
    return _difference(one.days, np.where(known, one.survival - other.survival, np.nan), pulls, confidence)


def _known(side: Group, days: NDArray[np.int64]) -> NDArray[np.bool_]:
    return days <= int(np.max(np.asarray(side.exit_days)))


def _shares_units(group: Group, reference: Group) -> bool:
    """Labels of the two groups mean the same things only if both give labels of the same kind."""
    if (group.cluster is None) != (reference.cluster is None):
        raise ValueError("give clusters for both groups or for neither")
    return group.cluster is not None


def _aligned(
    one: tuple[NDArray[Any], Floats], other: tuple[NDArray[Any], Floats], shared: bool
) -> tuple[Floats, Floats]:
    """The pulls of both groups with one line per unit of either."""
    (units, values), (other_units, other_values) = one, other
    if shared:
        both, places, other_places = _united(units, other_units)
    else:
        both = np.arange(len(units) + len(other_units))
        places, other_places = both[: len(units)], both[len(units) :]
    spread, other_spread = np.zeros((len(both), values.shape[1])), np.zeros((len(both), values.shape[1]))
    spread[places], other_spread[other_places] = values, other_values
    return spread, other_spread


def _united(units: NDArray[Any], other: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """The labels of either in order, and the places of both among them."""
    if np.issubdtype(units.dtype, np.integer) and np.issubdtype(other.dtype, np.integer):
        both = distinct_days(np.concatenate((units, other)).astype(np.int64))
        return both, position_in(units, both, after=False), position_in(other, both, after=False)
    both = np.union1d(units, other)
    return both, np.searchsorted(both, units), np.searchsorted(both, other)


def make_differences(
    days: NDArray[np.int64], estimate: Floats, squares: Floats, covariance: Floats, confidence: float
) -> Differences:
    """The differences that estimates make with the sum over units of their squared pulls; NaN where none is known."""
    std_error = np.sqrt(squares)
    # No pull at all means that nothing has failed yet in either group: no error can be told, which is not none.
    std_error = np.where(np.isnan(estimate) | (std_error == 0), np.nan, std_error)
    step = z_value(confidence) * std_error
    return Differences(
        days=days,
        estimate=estimate,
        std_error=std_error,
        low=estimate - step,
        high=estimate + step,
        p=2 * ndtr(-np.abs(estimate / std_error)),
        covariance=covariance,
        confidence=confidence,
    )


def _difference(
    days: NDArray[np.int64], estimate: Floats, pulls: tuple[Floats, Floats], confidence: float
) -> Differences:
    one, other = pulls
    squares, covariance = np.sum((one - other) ** 2, axis=0), np.sum(one * other, axis=0)
    return make_differences(days, estimate, squares, covariance, confidence)
