"""Cox regression with Firth's penalty: finite estimates and honest limits where a group has few or no failures.

The log partial likelihood is increased by half the log determinant of the information [Firth 1993; Heinze 2001]. Limits
and p come from the profile of that penalised likelihood, in which every other coefficient is re-estimated and the
penalty keeps the whole information [Heinze 2001; Heinze 2002]; the standard error (inverse information) is a guide
only, the likelihood being skewed where the penalty matters. Weights enter as counts of rows. There is no robust form:
clusters are not taken into account.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import Contrast, Design, invert_information, make_design, refuse_collinear
from pipeline.stats.cox_input import check_rows
from pipeline.stats.cox_kernel import Floats, Ints, Moments, Ties
from pipeline.stats.laws import chi2_upper
from pipeline.stats.limits import z_value

MAX_ITERATIONS = 100
MAX_HALVINGS = 30
# Squared length of the step in standard errors, below which it is the last one.
GAIN_DONE = 1e-20
# The same, once it no longer shrinks, and once no step climbs any more: rounding allows no more where little is known.
GAIN_STALLED = 1e-11
GAIN_ROUNDED = 1e-6
# The limits are found to this share of a standard error.
LIMIT_TOLERANCE = 1e-9
# Longest search for a limit, in standard errors.
FARTHEST = 100.0


@dataclass(frozen=True, eq=False)
class _Point:
    """The penalised likelihood at one value of the coefficients (on the scale of `design.z`)."""

    beta: Floats
    loglik: float
    penalised: float
    information: Floats
    at: Moments


@dataclass(frozen=True, eq=False)
class FirthFit:
    """A penalised fit: log hazard ratios in the order of `names`, errors from the information, both likelihoods."""

    names: tuple[str, ...]
    coef: Floats
    se: Floats
    loglik: float
    penalised_loglik: float
    n_rows: int
    n_events: int
    iterations: int
    converged: bool
    design: Design = field(repr=False)
    best: _Point = field(repr=False)

    def profile(self, name: str, *, confidence: float = 0.95) -> Contrast:
        """One log hazard ratio with profile-likelihood limits and the p of its penalised likelihood-ratio test.

        A limit is infinite where the profile never falls far enough or cannot be followed to it; without convergence
        both are, and p is NaN.
        """
        j = self.names.index(name)
        scale = float(self.design.scale[j])
        if not self.converged:
            return Contrast(float(self.coef[j]), np.nan, -np.inf, np.inf, np.nan)
        with np.errstate(over="ignore", invalid="ignore"):
            at_zero, _, found = _climb(self.design, _moved(self.best.beta, j, 0.0), fixed=j)
        drop = max(0.0, 2 * (self.best.penalised - at_zero.penalised))
        p = float(chi2_upper(drop, 1)) if found else np.nan
        reach = z_value(confidence)
        low, high = (_limit(self.design, self.best, j, side * reach) / scale for side in (-1, 1))
        return Contrast(float(self.coef[j]), float(self.se[j]), low, high, p)

    def hazard_ratio(self, name: str, *, confidence: float = 0.95) -> Contrast:
        """As `profile`, as a ratio; `se` stays on the log scale."""
        return self.profile(name, confidence=confidence).exp()


def fit_firth(
    x: ArrayLike,
    exit_days: ArrayLike,
    event: ArrayLike,
    *,
    names: Sequence[str],
    entry_days: ArrayLike | None = None,
    strata: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    ties: Ties = "efron",
) -> FirthFit:
    """Fit by penalised likelihood to rows at risk in (entry_days, exit_days]; see `cox.fit_cox` for the arguments.

    Raises CoxInputError as `cox.fit_cox`.
    """
    rows = check_rows(x, exit_days, event, names=names, entry_days=entry_days, strata=strata, weights=weights)
    design = make_design(rows, ties)
    start = _point(design, np.zeros(len(rows.names)))
    refuse_collinear(rows, start.information)
    best, iterations, converged = _climb(design, start.beta)
    return FirthFit(
        names=rows.names,
        coef=best.beta / design.scale,
        se=np.sqrt(np.diag(invert_information(best.information))) / design.scale,
        loglik=best.loglik,
        # The determinant of the information in the covariates' own units.
        penalised_loglik=best.penalised + float(np.log(design.scale).sum()),
        n_rows=len(rows.exit),
        n_events=int(np.count_nonzero(rows.event)),
        iterations=iterations,
        converged=converged,
        design=design,
        best=best,
    )


class _LostError(ArithmeticError):
    """The profile cannot be followed this far: what little is known there drowns in rounding."""


def _limit(design: Design, best: _Point, j: int, reach: float) -> float:
    """Where the signed root of twice the profile's fall equals `reach` (negative: below the estimate)."""
    from scipy import optimize  # takes long to load, and few comparisons have a group without a failure

    step = float(np.sqrt(invert_information(best.information)[j, j])) * np.sign(reach)
    last = best.beta

    def excess(steps: float) -> float:
        nonlocal last
        point, _, found = _climb(design, _moved(last, j, best.beta[j] + steps * step), fixed=j)
        if not found:
            raise _LostError
        last = point.beta
        return float(np.sqrt(max(0.0, 2 * (best.penalised - point.penalised))) - abs(reach))

    with np.errstate(over="ignore", invalid="ignore"):
        try:
            within, beyond = _bracket(excess, abs(reach) / 2)
            root = optimize.brentq(excess, within, beyond, xtol=LIMIT_TOLERANCE, rtol=1e-13)
        except _LostError:
            return float(np.sign(reach) * np.inf)
    return float(best.beta[j] + root * step)


def _bracket(excess: Callable[[float], float], start: float) -> tuple[float, float]:
    """Walk outwards from the estimate until the profile has fallen far enough, in shorter steps where it gets lost."""
    at, stride = 0.0, start
    while stride > start / 16:
        try:
            if excess(at + stride) > 0:
                return at, at + stride
        except _LostError:
            stride /= 2
        else:
            at += stride
            if at > FARTHEST:
                break
    raise _LostError


def _moved(beta: Floats, j: int, value: float) -> Floats:
    moved = beta.copy()
    moved[j] = value
    return moved


def _climb(design: Design, beta: Floats, *, fixed: int | None = None) -> tuple[_Point, int, bool]:
    """Maximise the penalised likelihood over all coefficients but the fixed one; iterations, whether converged."""
    free: Ints = np.array([j for j in range(len(beta)) if j != fixed], dtype=np.intp)
    point = _point(design, beta)
    if not len(free) or not np.isfinite(point.penalised):
        return point, 0, bool(np.isfinite(point.penalised))
    gradient = _penalised_score(design, point)[free]
    # The penalty bends the likelihood too, by as much as it where events are few: start from the information, then
    # learn the rest from the steps (BFGS).
    inverse = invert_information(point.information[np.ix_(free, free)])
    before_gain = np.inf
    for iteration in range(1, MAX_ITERATIONS + 1):
        step = inverse @ gradient
        gain = float(step @ gradient)
        reached = _step(design, point, free, step)
        if reached is None or before_gain <= gain < GAIN_STALLED:
            return point, iteration, gain < GAIN_ROUNDED
        before_gain = gain
        moved, before = reached.beta[free] - point.beta[free], gradient
        point = reached
        if gain < GAIN_DONE:
            return point, iteration, True
        gradient = _penalised_score(design, point)[free]
        inverse = _learned(inverse, moved, before - gradient)
    return point, MAX_ITERATIONS, before_gain < GAIN_ROUNDED


def _learned(inverse: Floats, moved: Floats, fall: Floats) -> Floats:
    """The BFGS update of an inverse curvature by a step and the fall of the gradient along it."""
    along = float(moved @ fall)
    if not along > 0:
        return inverse
    turn = np.eye(len(moved)) - np.outer(moved, fall) / along
    return np.asarray(turn @ inverse @ turn.T + np.outer(moved, moved) / along)


def _step(design: Design, point: _Point, free: Ints, step: Floats) -> _Point | None:
    round_off = 1e-13 * (1 + abs(point.penalised))
    for halving in range(MAX_HALVINGS):
        beta = point.beta.copy()
        beta[free] += step / 2**halving
        reached = _point(design, beta)
        if np.isfinite(reached.penalised) and reached.penalised >= point.penalised - round_off:
            return reached
    return None


def _point(design: Design, beta: Floats) -> _Point:
    at = kernel.moments(design.sets, design.z, beta)
    with np.errstate(over="ignore", invalid="ignore"):
        information = kernel.information(design.sets, design.z, at)
        sign, log_determinant = np.linalg.slogdet(information)
    penalised = at.loglik + 0.5 * float(log_determinant) if sign > 0 else -np.inf
    return _Point(beta, at.loglik, penalised, information, at)


def _penalised_score(design: Design, point: _Point) -> Floats:
    """Derivatives of the penalised likelihood: the score plus half the trace of V dI/dbeta, V the inverse information.

    With m the mean of x in an Efron step and E the mean over it, the trace is the sum over steps of
    E[(x - m)(x - m)'V(x - m)] = E[x q] - 2 E[x x']V m - m E[q] + 2 m m'V m, where q = x'V x. The first two are sums
    over rows, as is the score itself.
    """
    sets, z, at = design.sets, design.z, point.at
    inverse = invert_information(point.information)
    along = inverse @ z
    square = np.einsum("ji,ji->i", z, along)
    from_rows = z @ (
        kernel.expected_events(sets, at) * square - 2 * np.einsum("ji,ji->i", _expected_means(sets, at), along)
    )
    group, share = sets.step_group, sets.step_share
    risk = kernel.sum_at_risk(sets, at.risk)[group] - share * kernel.sum_events(sets, at.risk)[group]
    mean = (at.at_risk[:, group] - share * at.tied[:, group]) / risk
    weighted_square = at.risk * square
    total, tied = kernel.sum_at_risk(sets, weighted_square), kernel.sum_events(sets, weighted_square)
    mean_square = (total[group] - share * tied[group]) / risk
    spread = np.einsum("js,jk,ks->s", mean, inverse, mean, optimize=True)
    from_steps = mean @ (sets.step_weight * (2 * spread - mean_square))
    return np.asarray(kernel.score(sets, z, at) + 0.5 * (from_rows + from_steps))


def _expected_means(sets: kernel.RiskSets, at: Moments) -> Floats:
    """Covariate by row: the row's risk times the sum of hazard times mean covariate over the steps it is part of."""
    hazard = at.at_risk * at.q - at.tied * at.qf
    left_out = at.at_risk * at.qf - at.tied * at.qff
    sums = np.stack([kernel.over_run(sets, row) for row in hazard])
    sums[:, sets.event_row] -= left_out[:, sets.event_group]
    return at.risk * sums
