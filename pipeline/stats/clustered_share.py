"""A share of teeth, with limits that let the teeth of one patient be alike."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.stats.laws import beta_quantile, t_quantile
from pipeline.stats.spells import numbered


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
