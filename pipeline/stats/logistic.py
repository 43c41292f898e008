"""Logistic regression with no penalty and separation detected, and adjusted shares by it.

A covariate that tells the treated from the others without error has no finite coefficient, and weights made of it would
be without bound. Iterations that drift are taken as a suspicion; whether the data separate is then answered exactly, by
a linear program [Albert 1984; Konis 2007].

Adjusted shares: each row keeps its covariates and only the group is set, to each in turn; the mean of the predicted
probabilities is the standardised share (g-computation). Its error, the infinitesimal jackknife grouped by cluster (the
sum of squares of each cluster's pull, times m / (m - 1) for m clusters), counts coefficients and the choice of rows.
Sources: Hernán 2020, chapter 13; Liang 1986.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize
from scipy.special import expit, ndtr

from pipeline.stats.cox_input import refuse_repeated
from pipeline.stats.limits import z_value
from pipeline.stats.spells import Floats, numbered

Bools = NDArray[np.bool_]
INTERCEPT = "intercept"
# Twice the gain in log-likelihood that a Newton step promises, below which that step is the last one; and the gain at
# which a linear predictor that still moves by so much raises the suspicion of separation.
GAIN_DONE = 1e-13
GAIN_SPENT = 1e-8
STILL_MOVING = 0.1
TOLERANCE = 1e-7
MAX_ITERATIONS = 60
MAX_HALVINGS = 30


@dataclass(frozen=True, eq=False)
class LogisticFit:
    """Log odds ratios per unit, the intercept first in `names`.

    `probability` is each row's fitted one. `separated` names covariates that together tell the outcomes apart without
    error: coefficients, errors and probabilities are then where the iterations stood, not an estimate, and `converged`
    is False. Deviances are minus twice the log-likelihood, `null_deviance` that of the intercept alone.
    """

    names: tuple[str, ...]
    coef: Floats
    cov: Floats
    deviance: float
    null_deviance: float
    iterations: int
    converged: bool
    separated: tuple[str, ...]
    probability: Floats = field(repr=False)

    @property
    def se(self) -> Floats:
        """Standard error per coefficient from the inverse information; NaN without convergence."""
        return np.sqrt(np.diag(self.cov)) if self.converged else np.full(len(self.coef), np.nan)


@dataclass(frozen=True, eq=False)
class _Rows:
    """Checked rows; `z` is the covariates standardised, behind a column of ones."""

    z: Floats
    outcome: Bools
    weight: Floats
    center: Floats
    scale: Floats

    def loglik(self, beta: Floats) -> float:
        eta = self.z @ beta
        return -float(np.sum(self.weight * np.logaddexp(0, np.where(self.outcome, -eta, eta))))

    def information(self, probability: Floats) -> Floats:
        return np.asarray((self.z * (self.weight * probability * (1 - probability))[:, None]).T @ self.z)


def fit_logistic(
    x: ArrayLike, treated: ArrayLike, *, names: Sequence[str], weights: ArrayLike | None = None
) -> LogisticFit:
    """Maximum likelihood by iteratively reweighted least squares (Newton's method), with step-halving.

    `x` has one row per crown and a column per name, without an intercept, which is added. `weights` multiply a row's
    likelihood.

    Raises ValueError for columns that do not fit, values that are missing or infinite, an outcome that is not
    true/false or the same in all, weights that are not positive, covariates that are constant or follow from those
    before them (named).
    """
    rows = _checked(x, treated, names, weights)
    cross = (rows.z * rows.weight[:, None]).T @ rows.z
    scale = np.sqrt(np.diag(cross))
    refuse_repeated((INTERCEPT, *names), cross / np.outer(scale, scale))
    start = np.zeros(len(names) + 1)
    start[0] = np.log(rows.weight[rows.outcome].sum() / rows.weight[~rows.outcome].sum())
    beta, iterations, converged, separated = _maximise(rows, start)
    # From the standardised columns back to units.
    back = np.diag(np.concatenate(([1.0], 1 / rows.scale)))
    back[0, 1:] = -rows.center / rows.scale
    probability = expit(rows.z @ beta)
    return LogisticFit(
        names=(INTERCEPT, *names),
        coef=back @ beta,
        cov=back @ np.linalg.pinv(rows.information(probability), hermitian=True) @ back.T,
        deviance=-2 * rows.loglik(beta),
        null_deviance=-2 * rows.loglik(start),
        iterations=iterations,
        converged=converged,
        separated=tuple(name for name, found in zip(names, separated[1:], strict=True) if found),
        probability=probability,
    )


def _maximise(rows: _Rows, beta: Floats) -> tuple[Floats, int, bool, Bools]:
    """Newton's method: estimate, iterations, whether converged, which columns separate the outcomes."""
    none, suspected = np.zeros(len(beta), dtype=np.bool_), False
    for iteration in range(1, MAX_ITERATIONS + 1):
        probability = expit(rows.z @ beta)
        gradient = rows.z.T @ (rows.weight * (rows.outcome - probability))
        step = np.linalg.lstsq(rows.information(probability), gradient)[0]
        gain = float(step @ gradient)
        if not suspected and gain < GAIN_SPENT and np.ptp(rows.z @ step) > STILL_MOVING:
            suspected, separated = True, _separating(rows)
            if separated.any():
                return beta, iteration, False, separated
        moved = _climb(rows, beta, step)
        if moved is None:
            return beta, iteration, gain < GAIN_DONE, none
        beta = moved
        if gain < GAIN_DONE:
            return beta, iteration, True, none
    return beta, MAX_ITERATIONS, False, none


def _climb(rows: _Rows, beta: Floats, step: Floats) -> Floats | None:
    """Take the step, halved until the likelihood is not lower; None if no part of it will do."""
    least = rows.loglik(beta) - 1e-12 * abs(rows.loglik(beta))
    for halving in range(MAX_HALVINGS):
        candidate: Floats = beta + step / 2**halving
        if rows.loglik(candidate) >= least:
            return candidate
    return None


def _separating(rows: _Rows) -> Bools:
    """Which columns take part in a direction on which no row is on the wrong side and some are on the right one."""
    signed = np.unique(np.where(rows.outcome[:, None], rows.z, -rows.z), axis=0)
    answer = optimize.linprog(
        -signed.mean(axis=0), A_ub=-signed, b_ub=np.zeros(len(signed)), bounds=(-1, 1), method="highs"
    )
    if not answer.success:
        raise RuntimeError(f"The search for separation failed: {answer.message}")
    found = np.abs(answer.x) > TOLERANCE
    return found if -answer.fun > TOLERANCE else np.zeros_like(found)


def _checked(x: ArrayLike, treated: ArrayLike, names: Sequence[str], weights: ArrayLike | None) -> _Rows:
    columns, given = np.asarray(x, dtype=np.float64), np.asarray(treated)
    n = len(given)
    if columns.shape != (n, len(names)) or len(names) == 0 or len(set(names)) != len(names):
        raise ValueError(
            f"x has shape {columns.shape}: it needs {n:,} rows and a column for each of {len(names)} names."
        )
    for name, column in zip(names, columns.T, strict=True):
        if bad := int(np.count_nonzero(~np.isfinite(column))):
            raise ValueError(f"{bad:,} of {n:,} rows have no finite value of {name}.")
    if bad := int(np.count_nonzero(~np.isin(given, (0, 1)))):
        raise ValueError(f"{bad:,} of {n:,} rows have an outcome that is neither 0 nor 1.")
    outcome = given.astype(np.bool_)
    if outcome.all() or not outcome.any():
        raise ValueError(f"The outcome is the same in all {n:,} rows.")
    weight = np.ones(n) if weights is None else np.asarray(weights, dtype=np.float64)
    if weight.shape != (n,) or not np.all(np.isfinite(weight) & (weight > 0)):
        raise ValueError(f"weights needs a positive number for each of {n:,} rows.")
    center, scale = columns.mean(axis=0), columns.std(axis=0)
    # The spread of a constant column can come out as rounding.
    flat = [name for name, column in zip(names, columns.T, strict=True) if np.ptp(column) == 0]
    if flat:
        raise ValueError(f"Constant covariates cannot be estimated: {', '.join(flat)}.")
    return _Rows(np.column_stack([np.ones(n), (columns - center) / scale]), outcome, weight, center, scale)


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
