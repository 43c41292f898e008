"""Teeth that share a patient: limits of a share, agreement of two readings beyond chance, and patients drawn again."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.stats.laws import beta_quantile, t_quantile
from pipeline.stats.spells import Floats, numbered


@dataclass(frozen=True)
class Share:
    """`successes` of `rows`, with limits; `effective` is the number of independent rows that would be as telling."""

    rows: int
    successes: int
    clusters: int
    share: float
    low: float
    high: float
    effective: float


def clustered_share(success: ArrayLike, cluster: NDArray[np.int64] | object, *, confidence: float = 0.95) -> Share:
    """Share of rows that succeed, with exact limits at the effective sample size [Korn 1998].

    The variance is that between clusters, m / (m - 1) * sum over clusters of (sum of (success - share))^2 / n^2. The
    effective size is share * (1 - share) over that variance, times (t of n - 1 degrees of freedom / t of m - 1)^2, and
    never above n; the limits are those of Clopper and Pearson [Clopper 1934] for so many rows. Where all succeed or
    none does there is no variance to go by: each cluster then counts as one row. With one cluster the limits are 0 and
    1.

    Raises ValueError without rows, for columns of unequal length and for a missing label.
    """
    good = np.asarray(success).astype(np.bool_)
    code, _ = numbered(cluster)
    n = len(good)
    if n == 0 or len(code) != n:
        raise ValueError(f"{n} rows and {len(code)} labels: as many of both are needed, and at least one.")
    m = int(code.max()) + 1
    successes = int(good.sum())
    share = successes / n
    if m == 1:
        return Share(n, successes, m, share, 0.0, 1.0, 1.0)
    effective = float(m)
    if 0 < successes < n:
        # Whole numbers throughout, so that the order of the rows does not matter: n times each cluster's sum.
        pull = n * np.bincount(code[good], minlength=m) - successes * np.bincount(code, minlength=m)
        variance = m / (m - 1) * float(np.sum(np.sort(pull.astype(np.float64) ** 2))) / float(n) ** 4
        alpha = (1 - confidence) / 2
        wider = (t_quantile(alpha, n - 1) / t_quantile(alpha, m - 1)) ** 2
        effective = min(share * (1 - share) / variance * float(wider), float(n)) if variance > 0 else float(m)
    low, high = _exact(share * effective, effective, confidence)
    return Share(n, successes, m, share, low, high, effective)


def _exact(successes: float, rows: float, confidence: float) -> tuple[float, float]:
    # The limits of Clopper and Pearson as quantiles of beta distributions; these need no whole numbers.
    tail = (1 - confidence) / 2
    low = float(beta_quantile(tail, successes, rows - successes + 1)) if successes > 0 else 0.0
    high = float(beta_quantile(1 - tail, successes + 1, rows - successes)) if successes < rows else 1.0
    return low, high


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
