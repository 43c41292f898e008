"""Whether a dose has to do with failure at all, and whether its curve bends.

A natural spline spans a straight line. With the spline's columns in a Cox model, the coefficients along that line are
those of a straight dose-response; all others bend it. Both hypotheses are linear in the coefficients and tested by
Wald's chi-square with the covariance of the fit (clustered, where the fit is) [Harrell 2015, section 2.4.5].
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

from pipeline.stats.cox import CoxFit, WaldTest
from pipeline.stats.laws import chi2_upper
from pipeline.stats.splines import natural_spline

Floats = NDArray[np.float64]


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
