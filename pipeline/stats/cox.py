"""Cox regression with delayed entry, strata, weights and clusters of teeth that share a patient.

`fit_cox` maximises the partial likelihood of `cox_kernel` by Newton's method with step-halving and says in the result
whether that converged. Model standard errors come from the inverse information, robust ones from the sum of the rows'
influence within a cluster [Lin 1989].
Sources: Therneau 2000, chapters 3, 7 and 8.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox_input import COLLINEAR, CoxInputError, CoxRows, check_rows, refuse_repeated
from pipeline.stats.cox_kernel import Bools, Floats, Moments, RiskSets, Ties
from pipeline.stats.laws import chi2_upper, normal_quantile, normal_upper
from pipeline.stats.log_f import LogF

__all__ = ["Contrast", "CoxFit", "CoxInputError", "WaldTest", "fit_cox"]

# Twice the gain in log-likelihood that a Newton step promises, below which that step is the last one.
GAIN_DONE = 1e-13
# The gain is spent while some row's linear predictor still moves by this much: a coefficient on its way to infinity.
GAIN_SPENT = 1e-6
STILL_MOVING = 0.1
# Standard error of the log hazard ratio over a covariate's whole range from which on nothing is known about it.
NO_INFORMATION = 30.0
# Longest step, as the change between two rows of their linear predictors; beyond it nothing may move any more.
LONGEST_STEP = 10.0
MAX_ITERATIONS = 60
MAX_HALVINGS = 30


@dataclass(frozen=True)
class Contrast:
    """A linear combination of coefficients (log hazard ratio) or, from `hazard_ratio`, a ratio.

    `se` is always on the log scale; `low` and `high` are limits computed there; `p` is two-sided (Wald).
    """

    estimate: float
    se: float
    low: float
    high: float
    p: float

    def exp(self) -> Contrast:
        """The ratio of a log hazard ratio."""
        ratio, low, high = (float(np.exp(value)) for value in (self.estimate, self.low, self.high))
        return Contrast(ratio, self.se, low, high, self.p)


@dataclass(frozen=True)
class WaldTest:
    """A chi-square statistic, its degrees of freedom and its p."""

    chi_square: float
    df: int
    p: float


@dataclass(frozen=True, eq=False)
class Design:
    """The checked rows of a fit and their risk sets; `z` (covariate by row) is x centred and scaled for stability."""

    rows: CoxRows
    ties: Ties
    sets: RiskSets
    z: Floats
    center: Floats
    scale: Floats


class Likelihood(Protocol):
    """A partial likelihood to be maximised, wherever its rows are; coefficients are on the scale of `Design.z`."""

    @property
    def width(self) -> Floats:
        """Range of each covariate over all rows."""

    @property
    def events(self) -> float:
        """Weighted number of events."""

    def moments(self, beta: Floats) -> Moments:
        """The log-likelihood and the sums of the risk sets."""

    def slope(self, beta: Floats, at: Moments) -> tuple[Floats, Floats]:
        """Score and information at `beta`, whose moments are `at`."""

    def reach(self, step: Floats) -> float:
        """The largest change between two rows of their linear predictors that a step makes."""


@dataclass(frozen=True, eq=False)
class Maximum:
    """Where a likelihood is greatest, its sums there, and how it was found; `moving` marks coefficients without bound.

    `beta` and `model_cov` are on the scale of the likelihood; the score test is at zero.
    """

    beta: Floats
    at: Moments
    model_cov: Floats
    loglik_null: float
    score_test: WaldTest
    iterations: int
    converged: bool
    moving: Bools

    def in_units(self, names: tuple[str, ...], scale: Floats) -> dict[str, Any]:
        """What it says of a fit without robust errors, by the names of `CoxEstimate`, in the covariates' own units."""
        return {
            "names": names,
            "coef": self.beta / scale,
            "model_cov": self.model_cov / np.outer(scale, scale),
            "robust_cov": None,
            "loglik_null": self.loglik_null,
            "loglik": self.at.loglik,
            "score_test": self.score_test,
            "iterations": self.iterations,
            "converged": self.converged,
            "diverging": tuple(name for name, moves in zip(names, self.moving, strict=True) if moves),
        }


@dataclass(frozen=True, eq=False)
class CoxEstimate:
    """A fitted Cox model, without its rows.

    `coef` are log hazard ratios per unit of each covariate in the order of `names`. `model_cov` is the inverse
    information; `robust_cov` is None unless clusters or robust errors were asked for. Log-likelihoods are partial ones,
    at zero and at the estimate. `diverging` names covariates whose coefficient grows without bound (separation): their
    errors and limits are never given. `converged` is False for those and if the iterations stopped short; then no
    coefficient has an error.
    """

    names: tuple[str, ...]
    coef: Floats
    model_cov: Floats
    robust_cov: Floats | None
    loglik_null: float
    loglik: float
    score_test: WaldTest
    n_rows: int
    n_events: int
    n_clusters: int | None
    iterations: int
    converged: bool
    diverging: tuple[str, ...]

    @property
    def cov(self) -> Floats:
        """The robust covariance if there is one, else the model's."""
        return self.model_cov if self.robust_cov is None else self.robust_cov

    def se(self, *, robust: bool = True) -> Floats:
        """Standard error per coefficient: robust if asked for and there is one; NaN where not to be had."""
        cov = self.cov if robust else self.model_cov
        errors = np.sqrt(np.diag(cov))
        return np.where(self._without_error, np.nan, errors)

    def contrast(self, vector: ArrayLike | Mapping[str, float], *, confidence: float = 0.95) -> Contrast:
        """Estimate and limits of a linear combination of coefficients, given by name or as one number per coefficient.

        Without convergence the error and p are NaN and the limits infinite.
        """
        if isinstance(vector, Mapping):
            unknown = set(vector) - set(self.names)
            if unknown:
                raise KeyError(f"Not in the model: {', '.join(sorted(unknown))}")
            along = np.array([vector.get(name, 0.0) for name in self.names])
        else:
            along = np.asarray(vector, dtype=np.float64)
        estimate = float(along @ self.coef)
        if np.any(self._without_error & (along != 0)):
            return Contrast(estimate, np.nan, -np.inf, np.inf, np.nan)
        error = float(np.sqrt(along @ self.cov @ along))
        half = float(normal_quantile(0.5 + confidence / 2)) * error
        p = float(2 * normal_upper(abs(estimate) / error)) if error > 0 else np.nan
        return Contrast(estimate, error, estimate - half, estimate + half, p)

    def hazard_ratio(self, name: str, *, confidence: float = 0.95) -> Contrast:
        """Hazard ratio per unit of one covariate, with limits; `se` stays on the log scale."""
        return self.contrast({name: 1.0}, confidence=confidence).exp()

    @property
    def _without_error(self) -> Bools:
        if self.converged:
            return np.zeros(len(self.names), dtype=np.bool_)
        return np.array([not self.diverging or name in self.diverging for name in self.names])


@dataclass(frozen=True, eq=False)
class CoxFit(CoxEstimate):
    """A fitted Cox model with its rows: `design` and `at_estimate` serve what builds on a fit.

    `at_estimate` are the risk-set sums at the estimate, on the scale of `design.z`. `by_cluster` is the influence of
    each cluster, None without robust errors; `of_prior` that of the halves of a prior, in no cluster.
    """

    design: Design = field(repr=False)
    at_estimate: Moments = field(repr=False)
    by_cluster: Floats | None = field(repr=False, default=None)
    of_prior: Floats | None = field(repr=False, default=None)

    def influence(self, *, by_cluster: bool = False) -> Floats:
        """Row by covariate: the change of the coefficients per row (weighted dfbeta), or summed within clusters.

        Its cross product is the robust covariance.
        """
        if by_cluster and self.by_cluster is not None:
            return self.by_cluster
        design = self.design
        parts = kernel.scores_by(design.sets, design.z, self.at_estimate, design.rows.cluster if by_cluster else None)
        return parts * design.scale @ self.model_cov


def fit_cox(
    x: ArrayLike,
    exit_days: ArrayLike,
    event: ArrayLike,
    *,
    names: Sequence[str],
    entry_days: ArrayLike | None = None,
    strata: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    ties: Ties = "efron",
    start: ArrayLike | None = None,
    robust: bool = False,
    prior: LogF | None = None,
) -> CoxFit:
    """Fit a Cox model to rows at risk in (entry_days, exit_days].

    One row per stretch of follow-up; rows of one tooth that adjoin are the same as one row. Keep days whole: equal
    days are ties, whatever the order of the rows. Without `entry_days` rows are followed from the start and an event
    on day 0 counts; with them it needs an entry before day 0. `strata` have a baseline hazard each, `weights` multiply
    a row's likelihood, `cluster` asks for errors robust to rows of one cluster being alike, `robust` alone takes every
    row as its own cluster. `start` is where the iterations begin. A `prior` adds to the score and the information; the
    log-likelihoods are those of the rows alone.

    Raises CoxInputError as `cox_input.check_rows`, and for covariates that do not vary among rows at risk together or
    follow from those before them (named), and for no more clusters than covariates.
    """
    rows = check_rows(
        x, exit_days, event, names=names, entry_days=entry_days, strata=strata, weights=weights, cluster=cluster
    )
    if ties not in ("efron", "breslow"):
        raise CoxInputError("ties must be efron or breslow.")
    n_clusters = None if rows.cluster is None else int(rows.cluster.max()) + 1
    if n_clusters is not None and n_clusters <= len(rows.names):
        raise CoxInputError(f"{n_clusters} clusters are too few for robust errors of {len(rows.names)} covariates.")
    design = make_design(rows, ties)
    likelihood: Likelihood = _OnHand(design, kernel.observed_events(design.sets, design.z))
    believed = None if prior is None else prior.per(design.scale)
    found = maximise(
        likelihood if believed is None else _Believed(likelihood, believed),
        rows.names,
        start=None if start is None else np.asarray(start, dtype=np.float64) * design.scale,
    )
    if believed is not None:
        loglik = found.at.loglik - believed.logarithm(found.beta)
        found = replace(found, at=replace(found.at, loglik=loglik))
    fit = CoxFit(
        **found.in_units(rows.names, design.scale),
        n_rows=len(rows.exit),
        n_events=int(np.count_nonzero(rows.event)),
        n_clusters=n_clusters,
        design=design,
        at_estimate=found.at,
    )
    if believed is not None:
        fit = replace(fit, of_prior=believed.halves(found.beta) * design.scale @ fit.model_cov)
    if not robust and rows.cluster is None:
        return fit
    change = fit.influence(by_cluster=True)
    parts = [change] if fit.of_prior is None else [change, fit.of_prior]
    return replace(fit, robust_cov=np.asarray(sum(part.T @ part for part in parts)), by_cluster=change)


def make_design(rows: CoxRows, ties: Ties) -> Design:
    """Lay out the risk sets and standardise the covariates."""
    center, scale = rows.x.mean(axis=0), rows.x.std(axis=0)
    z = np.empty(rows.x.shape[::-1])
    for block in kernel.blocks(len(rows.x)):
        z[:, block] = ((rows.x[block] - center) / scale).T
    sets = kernel.build_risk_sets(
        rows.exit, rows.event, entry=rows.entry, strata=rows.strata, weight=rows.weight, ties=ties
    )
    return Design(rows=rows, ties=ties, sets=sets, z=z, center=center, scale=scale)


def invert_information(matrix: Floats) -> Floats:
    """Inverse of an information matrix; along directions that hold none (separation) a very large variance."""
    diagonal = np.diag(matrix)
    # Where a coefficient runs off, rounding leaves its information as noise around 0.
    scale = np.sqrt(np.maximum(diagonal, max(1e-16 * diagonal.max(), 1e-200)))
    values, vectors = np.linalg.eigh(matrix / np.outer(scale, scale))
    # Rounding can turn a vanishing eigenvalue negative, which would turn the step downhill.
    values = np.maximum(values, np.finfo(float).eps * len(values))
    return np.asarray((vectors / values) @ vectors.T / np.outer(scale, scale))


def refuse_collinear(rows: CoxRows, null_information: Floats) -> None:
    """Name covariates that do not vary within risk sets, or only along with covariates before them."""
    _refuse_collinear(rows.names, float(rows.weight[rows.event].sum()), null_information)


def _refuse_collinear(names: Sequence[str], events: float, null_information: Floats) -> None:
    spread = np.diag(null_information) / events
    flat = [name for name, value in zip(names, spread, strict=True) if value < COLLINEAR]
    if flat:
        raise CoxInputError(f"These covariates do not vary among rows at risk together: {', '.join(flat)}.")
    scale = np.sqrt(np.diag(null_information))
    refuse_repeated(names, null_information / np.outer(scale, scale))


def maximise(likelihood: Likelihood, names: Sequence[str], *, start: Floats | None = None) -> Maximum:
    """Newton's method from zero or `start`, after covariates that cannot be told apart are refused."""
    zero = np.zeros(len(names))
    null = likelihood.moments(zero)
    null_score, null_information = likelihood.slope(zero, null)
    _refuse_collinear(names, likelihood.events, null_information)
    beta = zero if start is None else start
    at = null if start is None else likelihood.moments(beta)
    if not np.isfinite(at.loglik):
        raise CoxInputError("start: the likelihood is not finite there.")
    slope = (null_score, null_information) if start is None else likelihood.slope(beta, at)
    beta, at, iterations, converged, moving = _newton(likelihood, beta, at, slope)
    return Maximum(
        beta=beta,
        at=at,
        model_cov=invert_information(likelihood.slope(beta, at)[1]),
        loglik_null=null.loglik,
        score_test=_chi_square(float(null_score @ linalg.solve(null_information, null_score)), len(beta)),
        iterations=iterations,
        converged=converged,
        moving=moving,
    )


def _newton(
    likelihood: Likelihood, beta: Floats, at: Moments, slope: tuple[Floats, Floats]
) -> tuple[Floats, Moments, int, bool, Bools]:
    """Estimate, sums there, iterations, whether converged, which coefficients diverge; `slope` is that at `beta`."""
    still = np.zeros(len(beta), dtype=np.bool_)
    for iteration in range(1, MAX_ITERATIONS + 1):
        gradient, information = slope if iteration == 1 else likelihood.slope(beta, at)
        inverse = invert_information(information)
        step = inverse @ gradient
        gain, reach = float(step @ gradient), likelihood.reach(step)
        last = gain < GAIN_DONE
        if gain < GAIN_SPENT and reach > STILL_MOVING:
            return beta, at, iteration, False, _without_bound(likelihood, np.diag(inverse))
        moved = _climb(likelihood, beta, at, step * min(1.0, LONGEST_STEP / max(reach, STILL_MOVING)))
        if moved is None:
            return beta, at, iteration, last, still
        beta, at = moved
        if last:
            return beta, at, iteration, True, still
    return beta, at, MAX_ITERATIONS, False, still


def _without_bound(likelihood: Likelihood, variance: Floats) -> Bools:
    """Coefficients of which nothing is known; all if none stands out.

    What still moves while the gain is spent is among them: its error is a hundred times the move or more.
    """
    lost: Bools = np.sqrt(variance) * likelihood.width > NO_INFORMATION
    return lost if lost.any() else ~lost


def _climb(likelihood: Likelihood, beta: Floats, at: Moments, step: Floats) -> tuple[Floats, Moments] | None:
    """Take the step, halved until the likelihood is finite and not lower; None if no part of it will do."""
    round_off = 1e-12 * (1 + abs(at.loglik))
    for halving in range(MAX_HALVINGS):
        candidate = beta + step / 2**halving
        reached = likelihood.moments(candidate)
        if np.isfinite(reached.loglik) and reached.loglik >= at.loglik - round_off:
            return candidate, reached
    return None


@dataclass(frozen=True, eq=False)
class _OnHand:
    """The likelihood of rows that are all at hand."""

    design: Design
    observed: Floats

    @property
    def width(self) -> Floats:
        return np.asarray(np.ptp(self.design.z, axis=1))

    @property
    def events(self) -> float:
        return float(self.design.rows.weight[self.design.rows.event].sum())

    def moments(self, beta: Floats) -> Moments:
        return kernel.moments(self.design.sets, self.design.z, beta)

    def slope(self, beta: Floats, at: Moments) -> tuple[Floats, Floats]:
        sets, z = self.design.sets, self.design.z
        expected = kernel.expected_events(sets, at)
        information = kernel.cross_product(z, expected) - kernel.product_of_means(sets, at)
        return self.observed - z @ expected, information

    def reach(self, step: Floats) -> float:
        return float(np.ptp(step @ self.design.z))


@dataclass(frozen=True, eq=False)
class _Believed:
    """A likelihood with a prior on its own scale."""

    rows: Likelihood
    prior: LogF

    @property
    def width(self) -> Floats:
        return self.rows.width

    @property
    def events(self) -> float:
        return self.rows.events

    def moments(self, beta: Floats) -> Moments:
        at = self.rows.moments(beta)
        return replace(at, loglik=at.loglik + self.prior.logarithm(beta))

    def slope(self, beta: Floats, at: Moments) -> tuple[Floats, Floats]:
        gradient, information = self.rows.slope(beta, at)
        return gradient + self.prior.score(beta), information + self.prior.information(beta)

    def reach(self, step: Floats) -> float:
        return self.rows.reach(step)


def _chi_square(value: float, df: int) -> WaldTest:
    return WaldTest(value, df, float(chi2_upper(value, df)))
