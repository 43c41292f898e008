"""Crown materials by the year of the seat: metal gives way to metal-ceramic, then to ceramics."""

import numpy as np

from synthetic_data.hazards import YEAR, Days, Ints

# Shares of metal, metal_ceramic, zirconia, glass_ceramic, resin in some years; in between along a straight line.
_YEARS = np.array([1985, 2005, 2009, 2016, 2024])
_SHARES = np.array(
    [
        [0.45, 0.53, 0.00, 0.00, 0.02],
        [0.28, 0.64, 0.00, 0.05, 0.03],
        [0.20, 0.60, 0.03, 0.14, 0.03],
        [0.09, 0.38, 0.27, 0.23, 0.03],
        [0.04, 0.16, 0.50, 0.27, 0.03],
    ]
)


def draw_material(rng: np.random.Generator, seat: Days) -> Ints:
    """Index of each crown's material in `hazards.MATERIALS`."""
    year = 1970 + seat / YEAR
    limits = np.stack([np.interp(year, _YEARS, column) for column in np.cumsum(_SHARES, axis=1).T[:-1]])
    return np.asarray((rng.random(seat.size) > limits).sum(axis=0))
