"""Quantiles and tail probabilities of the usual distributions, from special functions alone.

`scipy.stats` has them too, but takes longer to load than all the estimators together. Tests hold both to one another.
Arguments may be arrays; parameters outside a distribution give NaN.
"""

from typing import Any

import numpy as np
from scipy import special


def normal_quantile(p: Any) -> Any:
    """Standard normal."""
    return special.ndtri(p)


def normal_upper(x: Any) -> Any:
    """P(X > x), standard normal."""
    return special.ndtr(-np.asarray(x, dtype=np.float64))


def chi2_quantile(p: Any, df: Any) -> Any:
    """Chi-square with `df` degrees of freedom."""
    return 2 * special.gammaincinv(np.asarray(df, dtype=np.float64) / 2, p)


def chi2_upper(x: Any, df: Any) -> Any:
    """P(X > x), chi-square with `df` degrees of freedom; NaN without one."""
    freedom = np.asarray(df, dtype=np.float64)
    return np.where(freedom > 0, special.chdtrc(freedom, np.maximum(x, 0.0)), np.nan)


def t_quantile(p: Any, df: Any) -> Any:
    """Student's t with `df` degrees of freedom."""
    return special.stdtrit(df, p)


def t_upper(x: Any, df: Any) -> Any:
    """P(X > x), Student's t with `df` degrees of freedom."""
    return special.stdtr(df, -np.asarray(x, dtype=np.float64))


def f_upper(x: Any, df: Any, df_error: Any) -> Any:
    """P(X > x), F with `df` and `df_error` degrees of freedom."""
    return special.fdtrc(df, df_error, x)


def beta_quantile(p: Any, a: Any, b: Any) -> Any:
    """Beta with the shapes `a` and `b`, both above 0."""
    return special.betaincinv(a, b, p)
