"""Weighted kappa: how far two readings on a scale agree beyond chance, for readings that share a patient."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.stats.laws import t_quantile
from pipeline.stats.spells import numbered

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Kappa:
    """Agreement of `pairs` of readings in `clusters` patients; NaN where it is not defined.

    `kappa` is 1 where all agree and 0 where readings agree as often as chance would have it.
    """

    pairs: int
    clusters: int
    kappa: float
    std_error: float
    low: float
    high: float


def by_steps(categories: int) -> Floats:
    """Disagreement that grows by the step: 0 for the same category, 1 for the next, 2 for the one after."""
    place = np.arange(categories, dtype=np.float64)
    return np.abs(place[:, None] - place[None, :])


def weighted_kappa(
    first: ArrayLike,
    second: ArrayLike,
    *,
    disagreement: ArrayLike,
    cluster: object = None,
    interchangeable: bool = False,
    confidence: float = 0.95,
) -> Kappa:
    """Weighted kappa [Cohen 1968] of pairs of categories 0, 1, 2, ...

    `disagreement` is the square matrix of how grave it is to say one category first and another one second, 0 on its
    diagonal. Kappa is 1 less the mean disagreement over that expected of independent readings with the same margins.
    Where the two of a pair are `interchangeable`, so that neither is the first, both are held against the margin of all
    readings together, and exchanging the two of any pair changes nothing.

    The variance is the sum over clusters of the squared influence: with a cluster a pair, that of Fleiss, Cohen and
    Everitt [Fleiss 1969]. Limits take the quantile of t with a degree of freedom less than there are clusters and are
    cut at -1 and 1. Kappa is NaN where chance expects no disagreement; its limits are NaN with one cluster, and where
    no pair disagrees, which leaves no variance to go by.

    Raises ValueError without pairs, for columns of unequal length and for a category that has no line.
    Sources: Cicchetti 1971.
    """
    a, b = (np.asarray(x).astype(np.int64) for x in (first, second))
    v = np.asarray(disagreement, dtype=np.float64)
    n = len(a)
    if n == 0 or len(b) != n:
        raise ValueError(f"{n} first and {len(b)} second readings: as many of both are needed, and at least one.")
    if min(a.min(), b.min()) < 0 or max(a.max(), b.max()) >= len(v):
        raise ValueError(f"readings lie outside the {len(v)} categories")
    code = np.arange(n) if cluster is None else numbered(cluster)[0]
    clusters = int(code.max()) + 1
    before, after = (np.bincount(x, minlength=len(v)) / n for x in (a, b))
    if interchangeable:
        before = after = (before + after) / 2
    seen, expected = float(v[a, b].mean()), float(before @ v @ after)
    if expected == 0:
        return Kappa(n, clusters, np.nan, np.nan, np.nan, np.nan)
    of_expected = (v @ after)[a] + (before @ v)[b] - 2 * expected
    pull = -(v[a, b] - seen) / expected + seen / expected**2 * of_expected
    kappa = 1 - seen / expected
    if clusters < 2 or seen == 0:
        return Kappa(n, clusters, kappa, np.nan, np.nan, np.nan)
    sums = np.bincount(code, weights=pull, minlength=clusters)
    error = float(np.sqrt(np.sum(np.sort(sums**2)))) / n
    reach = float(t_quantile((1 + confidence) / 2, clusters - 1)) * error
    return Kappa(n, clusters, kappa, error, max(kappa - reach, -1.0), min(kappa + reach, 1.0))
