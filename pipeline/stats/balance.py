"""How unlike two groups are in what was known before, and how alike weights make them."""

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

from pipeline.stats.spells import Floats


def balance_table(x: ArrayLike, treated: ArrayLike, weights: ArrayLike, *, names: Sequence[str]) -> pl.DataFrame:
    """Absolute standardised mean differences before and after weighting [Austin 2009].

    One row per covariate, largest difference before first (then by name): `covariate`, `before`, `after`. Both
    differences are divided by the standard deviation before weighting, sqrt((v1 + v0) / 2) over the two groups, so that
    a change comes from the means alone. The variance is p(1 - p) for columns of 0 and 1, else the sample variance. Null
    where neither group varies.

    Raises ValueError if the columns do not fit, values or weights are missing, or a group has fewer than 2 rows.
    """
    columns, weight = np.asarray(x, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    chosen = np.asarray(treated).astype(np.bool_)
    if columns.shape != (len(chosen), len(names)) or weight.shape != chosen.shape:
        raise ValueError("x, treated, weights and names do not fit together.")
    if not np.isfinite(columns).all() or not np.all(np.isfinite(weight) & (weight >= 0)):
        raise ValueError("x and weights must be finite, and weights not below 0.")
    if min(chosen.sum(), (~chosen).sum()) < 2:
        raise ValueError("Each group needs at least 2 rows.")
    groups = [(columns[rows], weight[rows]) for rows in (chosen, ~chosen)]
    means = [values.mean(axis=0) for values, _ in groups]
    after = [np.average(values, axis=0, weights=own) for values, own in groups]
    binary = np.all((columns == 0) | (columns == 1), axis=0)
    spread = np.sqrt(sum(_variance(values, binary) for values, _ in groups) / 2)
    frame = pl.DataFrame(
        {
            "covariate": list(names),
            "before": _divided(np.abs(means[0] - means[1]), spread),
            "after": _divided(np.abs(after[0] - after[1]), spread),
        }
    )
    return frame.fill_nan(None).sort(["before", "covariate"], descending=[True, False], nulls_last=True)


def _variance(values: Floats, binary: NDArray[np.bool_]) -> Floats:
    share = values.mean(axis=0)
    return np.asarray(np.where(binary, share * (1 - share), values.var(axis=0, ddof=1)))


def _divided(difference: Floats, spread: Floats) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(spread > 0, difference / spread, np.nan))
