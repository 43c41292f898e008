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
    values, place, _ = _sorted(p)
    return _back(values, place, weighted_holm(values[place], np.ones(len(place))))


def false_discovery(p: ArrayLike) -> Floats:
    """Benjamini-Hochberg adjusted p-values [1]: below q means that a share q of such claims is false on average.

    NaN stays NaN and does not count.

    References
    ----------
    [1] Benjamini Y, Hochberg Y. Controlling the false discovery rate. J R Stat Soc B 1995;57:289-300.
    """
    values, place, order = _sorted(p)
    scaled = values[place[order]] * len(order) / (np.arange(len(order)) + 1.0)
    return _back(values, place[order], np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0))


def _sorted(p: ArrayLike) -> tuple[Floats, NDArray[np.intp], NDArray[np.intp]]:
    values = np.asarray(p, dtype=np.float64)
    place = np.flatnonzero(~np.isnan(values))
    if np.any((values[place] < 0) | (values[place] > 1)):
        raise ValueError("p-values must lie between 0 and 1")
    return values, place, np.argsort(values[place], kind="stable")


def _back(values: Floats, place: NDArray[np.intp], adjusted: Floats) -> Floats:
    out = np.full_like(values, np.nan)
    out[place] = adjusted
    return out
