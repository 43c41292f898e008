"""Holm's procedure for comparisons that do not matter alike: each has its own part of the error."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def weighted_holm(p: ArrayLike, weights: ArrayLike) -> Floats:
    """Adjusted p-values, in the order given: below alpha means a chance of alpha of any false claim [1].

    A comparison of weight w among weights that sum to W is first held against alpha * w / W; what is claimed leaves its
    part to the rest. With equal weights this is Holm's ordinary rule.

    Raises ValueError for values outside 0 to 1, for weights that are not above 0, or of another length.

    References
    ----------
    [1] Holm S. A simple sequentially rejective multiple test procedure. Scand J Stat 1979;6:65-70 (section 4: weights;
    from memory).
    """
    values, parts = np.asarray(p, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    if values.shape != parts.shape:
        raise ValueError("every p-value needs one weight")
    if not np.all((values >= 0) & (values <= 1)) or not np.all(parts > 0):
        raise ValueError("p-values must lie between 0 and 1, and weights above 0")
    order = np.argsort(values / parts, kind="stable")
    left = np.cumsum(parts[order][::-1])[::-1]
    stepped = np.maximum.accumulate(values[order] / parts[order] * left)
    out = np.empty_like(values)
    out[order] = np.minimum(stepped, 1.0)
    return out
