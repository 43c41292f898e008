"""Several comparisons at once: p-values adjusted so that chance findings stay rare."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.stats.weighted_holm import weighted_holm

Floats = NDArray[np.float64]


def holm(p: ArrayLike) -> Floats:
    """Holm's adjusted p-values [1], in the order given: below alpha means a chance of alpha of any false claim.

    NaN (a comparison that could not be made) stays NaN and does not count as a comparison.

    References
    ----------
    [1] Holm S. A simple sequentially rejective multiple test procedure. Scand J Stat 1979;6:65-70.
    """
    values = np.asarray(p, dtype=np.float64)
    made = np.flatnonzero(~np.isnan(values))
    if np.any((values[made] < 0) | (values[made] > 1)):
        raise ValueError("p-values must lie between 0 and 1")
    out = np.full_like(values, np.nan)
    out[made] = weighted_holm(values[made], np.ones(len(made)))
    return out
