"""Natural cubic splines, straight beyond the outer knots, and whether a curve made of them shows any effect, or bends.

Knots go at stated quantiles, so that nobody picks them by looking at the outcome. A natural spline spans a straight
line: with its columns in a Cox model the coefficients along that line are those of a straight dose-response, and all
others bend it. Both hypotheses are linear in the coefficients and tested by Wald's chi-square with the covariance of
the fit (clustered, where the fit is) [Harrell 2015, section 2.4.5].
Sources: Hastie 1992, chapter 7.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg
from scipy.interpolate import BSpline

from pipeline.stats.cox import CoxFit, WaldTest
from pipeline.stats.laws import chi2_upper
from pipeline.stats.spells import Floats

KNOT_QUANTILES: dict[int, tuple[float, ...]] = {
    3: (0.10, 0.50, 0.90),
    4: (0.05, 0.35, 0.65, 0.95),
    5: (0.05, 0.275, 0.50, 0.725, 0.95),
    6: (0.05, 0.23, 0.41, 0.59, 0.77, 0.95),
    7: (0.025, 0.1833, 0.3417, 0.50, 0.6583, 0.8167, 0.975),
}
CUBIC = 3


def harrell_knots(values: ArrayLike, *, n_knots: int = 4) -> Floats:
    """Knots at fixed quantiles of the distinct crowns' values (R's type 7), outer ones included.

    Raises ValueError for a number of knots without stated quantiles, or values so often alike that knots fall together.
    Sources: Harrell 2015, table 2.3.
    """
    if n_knots not in KNOT_QUANTILES:
        raise ValueError(f"n_knots must be one of {', '.join(map(str, KNOT_QUANTILES))}.")
    knots = np.quantile(_finite(values), KNOT_QUANTILES[n_knots])
    if np.any(np.diff(knots) <= 0):
        raise ValueError(f"The values are too often alike for {n_knots} knots.")
    return np.asarray(knots)


def natural_spline(values: ArrayLike, *, knots: ArrayLike) -> Floats:
    """The basis: one row per value, one column less than there are knots, all 0 at the first knot.

    `knots` are in order, the outer two included: those are the boundary, beyond which the curve is straight. Equal to
    R's `splines::ns(x, knots = inner, Boundary.knots = outer)`.

    Raises ValueError for fewer than 2 knots, knots out of order, or values that are not finite.
    """
    given, places = _finite(values), _finite(knots)
    if len(places) < 2 or np.any(np.diff(places) <= 0):
        raise ValueError("knots: at least two, in order, none twice.")
    padded = np.concatenate((np.repeat(places[0], CUBIC), places, np.repeat(places[-1], CUBIC)))
    basis = BSpline(padded, np.eye(len(padded) - CUBIC - 1), CUBIC)
    inside = np.clip(given, places[0], places[-1])
    columns = basis(inside) + basis(inside, nu=1) * (given - inside)[:, None]
    # Straight at both ends: no second derivative there. The first column goes, as the intercept covers it.
    bend = basis(places[[0, -1]], nu=2)[:, 1:]
    rotation = np.linalg.qr(bend.T, mode="complete")[0]
    return np.asarray(columns[:, 1:] @ rotation[:, 2:])


def _finite(values: ArrayLike) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or not np.isfinite(array).all():
        raise ValueError("values and knots must be one column of finite numbers.")
    return array


@dataclass(frozen=True)
class ShapeTests:
    """`any_effect`: all columns are 0. `bend`: the curve is a straight line; None with one column, always straight."""

    any_effect: WaldTest
    bend: WaldTest | None


def shape_tests(fit: CoxFit, names: Sequence[str], *, knots: ArrayLike) -> ShapeTests:
    """Tests on the columns `names` of a converged fit, which are `natural_spline` with these `knots`, in order.

    Raises ValueError where the fit did not converge or the columns are not as many as the knots make.
    """
    places = np.asarray(knots, dtype=np.float64)
    if not fit.converged or len(names) != len(places) - 1:
        raise ValueError("The tests need a converged fit with the columns of its spline.")
    at = [fit.names.index(name) for name in names]
    coef, cov = fit.coef[at], fit.cov[np.ix_(at, at)]
    if len(at) == 1:
        return ShapeTests(_wald(coef, cov), None)
    # The line in terms of the columns: exact, as the columns and a constant span it.
    grid = np.linspace(places[0], places[-1], 50)
    columns = np.column_stack([np.ones(len(grid)), natural_spline(grid, knots=places)])
    line = np.linalg.lstsq(columns, grid, rcond=None)[0][1:]
    across = linalg.null_space(line[None, :]).T
    return ShapeTests(_wald(coef, cov), _wald(across @ coef, across @ cov @ across.T))


def _wald(values: Floats, cov: Floats) -> WaldTest:
    chi_square = float(values @ linalg.solve(cov, values, assume_a="sym"))
    return WaldTest(chi_square, len(values), float(chi2_upper(chi_square, len(values))))
