"""Several comparisons at once, alike or not: p-values adjusted so that chance findings stay rare."""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.spells import Floats


def holm(p: ArrayLike, weights: ArrayLike | None = None) -> Floats:
    """Holm's adjusted p-values, in the order given: below alpha means a chance of alpha of any false claim [Holm 1979].

    A comparison of weight w (1 unless given) among weights that sum to W is first held against alpha * w / W; what is
    claimed leaves its part to the rest. Without weights NaN (a comparison that could not be made) stays NaN and counts
    as none.

    Raises ValueError for values outside 0 to 1, for weights that are not above 0, of another length, or of a NaN.
    """
    values = np.asarray(p, dtype=np.float64)
    parts = np.ones(values.shape) if weights is None else np.asarray(weights, dtype=np.float64)
    made = np.flatnonzero(~np.isnan(values))
    if values.shape != parts.shape or (weights is not None and len(made) < len(values)):
        raise ValueError("every p-value needs one weight, and every weight a p-value")
    own, part = values[made], parts[made]
    if not np.all((own >= 0) & (own <= 1)) or not np.all(parts > 0):
        raise ValueError("p-values must lie between 0 and 1, and weights above 0")
    order = np.argsort(own / part, kind="stable")
    left = np.cumsum(part[order][::-1])[::-1]
    out = np.full_like(values, np.nan)
    out[made[order]] = np.minimum(np.maximum.accumulate(own[order] / part[order] * left), 1.0)
    return out
