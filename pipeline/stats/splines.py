"""Natural cubic splines: a smooth dose-response with few columns, straight beyond the outer knots.

Knots go at stated quantiles, so that nobody picks them by looking at the outcome.
Sources: Hastie 1992, chapter 7.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import BSpline

Floats = NDArray[np.float64]
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
