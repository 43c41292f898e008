"""Patients drawn again with replacement, and limits from what a statistic then gives.

A replicate is one vector of counts: how often each patient was drawn. A statistic takes such counts, so that it can
weight rows instead of copying them. The counts of replicate r depend on the seed and r alone.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]


def draw_counts(n_clusters: int, *, seed: int, replicate: int) -> Counts:
    """How often each of `n_clusters` is drawn in one replicate: as many draws as clusters, with replacement."""
    random = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(replicate,)))
    drawn = random.integers(0, n_clusters, n_clusters)
    return np.bincount(drawn, minlength=n_clusters)


def bootstrap_clusters(statistic: Callable[[Counts], Floats], n_clusters: int, *, replicates: int, seed: int) -> Floats:
    """The statistic, a vector, under `replicates` draws of the clusters [Field 2007]: a row a replicate.

    Number the clusters 0, 1, 2... in an order that hangs on no name and no row, for it decides who is drawn.
    ValueError for fewer than two clusters or no replicate.
    """
    if n_clusters < 2 or replicates < 1:
        raise ValueError("A bootstrap needs at least 2 clusters and 1 replicate.")
    return np.stack([statistic(draw_counts(n_clusters, seed=seed, replicate=r)) for r in range(replicates)])


def percentile_limits(values: Floats, *, confidence: float) -> tuple[Floats, Floats]:
    """Limits that are quantiles of the replicates, a pair of vectors; `values` has a row a replicate.

    Sources: DiCiccio 1996.
    """
    tail = (1 - confidence) / 2
    # The (B + 1)-th parts, which is where quantiles of B replicates are taken.
    low, high = np.quantile(values, [tail, 1 - tail], axis=0, method="weibull")
    return low, high
