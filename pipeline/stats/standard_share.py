"""Adjusted shares: what share of one and the same set of teeth would succeed in each group, by a logistic fit.

Each row keeps its covariates; only the group is set, to each in turn. The mean of the predicted probabilities is the
standardised share (g-computation), and the difference of two such shares compares like with like:

    share_a = mean over rows i of expit(b_0 + b_a + x_i b).

The error counts the coefficients and which rows make up the sample. It is the infinitesimal jackknife grouped by
cluster: the sum of squares of each cluster's pull, times m / (m - 1) for m clusters.
Sources: Hernán 2020, chapter 13; Liang 1986.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, ndtr

from pipeline.stats.limits import z_value
from pipeline.stats.propensity import fit_logistic
from pipeline.stats.spells import numbered

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ShareDifference:
    """`group` minus `reference`, as a share between -1 and 1; NaN errors where there is none to be had."""

    difference: float
    std_error: float
    low: float
    high: float
    p: float


@dataclass(frozen=True, eq=False)
class StandardShares:
    """Standardised share of each group, in order of `groups`; `influence` is each cluster's pull, group by cluster."""

    groups: tuple[str, ...]
    share: Floats
    clusters: int
    influence: Floats = field(repr=False)

    def difference(self, group: str, reference: str, *, confidence: float = 0.95) -> ShareDifference:
        """Difference with plain normal limits. Raises ValueError for an unknown group."""
        one, other = self.groups.index(group), self.groups.index(reference)
        found = float(self.share[one] - self.share[other])
        error = self._error(self.influence[one] - self.influence[other])
        step = z_value(confidence) * error
        p = float(2 * ndtr(-abs(found) / error)) if error > 0 else np.nan
        return ShareDifference(found, error, found - step, found + step, p)

    def limits(self, group: str, *, confidence: float = 0.95) -> tuple[float, float]:
        """Limits of one share, normal on the log odds so that they stay within 0 and 1."""
        place = self.groups.index(group)
        share, error = float(self.share[place]), self._error(self.influence[place])
        step = z_value(confidence) * error / (share * (1 - share))
        odds = float(np.log(share / (1 - share)))
        return float(expit(odds - step)), float(expit(odds + step))

    def _error(self, pull: Floats) -> float:
        m = self.clusters
        return float(np.sqrt(np.sum(pull**2) * m / (m - 1))) if m > 1 else float("nan")


def standard_shares(
    success: ArrayLike, x: ArrayLike, *, names: Sequence[str], groups: Mapping[str, str | None], cluster: ArrayLike
) -> StandardShares | None:
    """Standardised shares of success.

    `x` has one row per tooth and a column per name: an indicator for each group but one, then the covariates. `groups`
    gives each group its column, None for the one without. `cluster` labels the patient.

    None where the model has no finite estimate (groups or covariates that tell the outcomes apart without error).

    Raises ValueError as `fit_logistic`, and for group columns that are not in `names`.
    """
    columns = {name: names.index(column) for name, column in groups.items() if column is not None}
    values, good = np.asarray(x, dtype=np.float64), np.asarray(success).astype(np.bool_)
    fit = fit_logistic(values, good, names=names)
    if not fit.converged:
        return None
    code, _ = numbered(cluster)
    m = int(code.max()) + 1
    full = np.column_stack([np.ones(len(good)), values])
    moved = full * (good - fit.probability)[:, None] @ fit.cov  # each row's pull on the coefficients
    shares, pulls = [], []
    for name in groups:
        set_to = full.copy()
        for other, column in columns.items():
            set_to[:, 1 + column] = float(other == name)
        p = expit(set_to @ fit.coef)
        slope = np.mean(set_to * (p * (1 - p))[:, None], axis=0)
        shares.append(float(p.mean()))
        pulls.append(np.bincount(code, weights=moved @ slope + (p - p.mean()) / len(p), minlength=m))
    return StandardShares(tuple(groups), np.array(shares), m, np.stack(pulls))
