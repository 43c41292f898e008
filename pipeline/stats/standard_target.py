"""The crowns that a standardised curve averages over: one row per crown, in the words of a Cox fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.cox import CoxFit
from pipeline.stats.cox_kernel import Floats, Ints


@dataclass(frozen=True, eq=False)
class Target:
    """`x` has one row per crown and one column per covariate of the fit; `stratum` holds the fit's stratum codes.

    `cluster` holds the fit's cluster (or row) of each crown, so that its being in the sample counts towards the error;
    None for crowns that are fixed beforehand, as of another practice.
    """

    x: Floats
    stratum: Ints
    weight: Floats
    cluster: Ints | None


def fitted_target(fit: CoxFit, rows: ArrayLike, *, weights: ArrayLike | None = None) -> Target:
    """Crowns that are in the fit, each by one of its rows (its first, say).

    `rows` is a mask over the fitted rows, or their places; `weights` has one value per crown chosen, each 1 unless
    given. Raises ValueError if no row is chosen or the weights do not fit.
    """
    place = np.asarray(rows)
    fitted = fit.design.rows
    if place.dtype == np.bool_ and place.all() and len(place) == len(fitted.x):
        unit = np.arange(len(place)) if fitted.cluster is None else fitted.cluster
        return Target(fitted.x, fitted.strata, _weights(weights, len(place)), unit)
    place = np.flatnonzero(place) if place.dtype == np.bool_ else place.astype(np.intp)
    unit = place if fitted.cluster is None else fitted.cluster[place]
    return Target(fitted.x[place], fitted.strata[place], _weights(weights, len(place)), unit)


def _weights(weights: ArrayLike | None, n: int) -> Floats:
    if n == 0:
        raise ValueError("The target holds no crown.")
    values = np.ones(n) if weights is None else np.asarray(weights, dtype=np.float64)
    if values.shape != (n,) or not np.all(np.isfinite(values) & (values > 0)):
        raise ValueError(f"weights needs a positive number for each of {n:,} crowns.")
    return values
