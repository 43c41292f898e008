"""Failures per 100 tooth-years, with exact Poisson limits and with limits for teeth that share a patient."""

from dataclasses import dataclass

import numpy as np

from pipeline.stats.laws import chi2_quantile
from pipeline.stats.limits import z_value
from pipeline.stats.spells import Values, read_spells

DAYS_PER_YEAR = 365.25
PER = 100.0


@dataclass(frozen=True)
class Rate:
    """Failures per 100 tooth-years.

    `low` and `high` are exact Poisson limits; `clustered_low` and `clustered_high` let the failures of one cluster
    depend on one another, and are NaN without failures or with fewer than two clusters.
    """

    failures: int
    tooth_years: float
    per_100: float
    low: float
    high: float
    clustered_low: float
    clustered_high: float
    n_units: int


def failure_rate(
    exit_days: Values,
    event: Values,
    *,
    entry_days: Values | None = None,
    cluster: Values | None = None,
    confidence: float = 0.95,
) -> Rate:
    """Rate of one group: failures over the time under observation, a year being 365.25 days.

    Time runs from the day of entry to the day of exit, so rows that fail on day 0 add a failure and no time.
    The clustered limits are exp(log rate -+ z * se), with se^2 the sum over clusters of (failures - rate * years)^2
    over the failures squared: the sandwich of a constant-rate model [Lin 1989]. The rate is NaN without any time.
    Sources: Garwood 1936.
    """
    spells = read_spells(exit_days, event, entry_days=entry_days, cluster=cluster, with_units=True)
    failed = (spells.cause > 0).astype(np.float64)
    years = (spells.exit - np.maximum(spells.entry, 0)) / DAYS_PER_YEAR
    failures = int(failed.sum())
    # Days are summed as integers, so that the total does not depend on the order of the rows.
    total = float((spells.exit - np.maximum(spells.entry, 0)).sum() / DAYS_PER_YEAR)
    squares = None
    if spells.unit is not None and failures and total and spells.n_units > 1:
        surplus = np.bincount(spells.unit, weights=failed - failures / total * years, minlength=spells.n_units)
        squares = float(np.sum(surplus**2))
    return make_rate(failures, total, squares, n_units=spells.n_units, confidence=confidence)


def make_rate(failures: int, years: float, squares: float | None, *, n_units: int, confidence: float) -> Rate:
    """The rate of so many failures in so many years.

    `squares` is the sum over clusters of (failures - rate * years)^2; None for no clustered limits.
    """
    low, high = (limit / years * PER if years else float("nan") for limit in poisson_limits(failures, confidence))
    clustered_low = clustered_high = float("nan")
    if squares is not None:
        factor = float(np.exp(z_value(confidence) * np.sqrt(squares) / failures))
        clustered_low, clustered_high = failures / years * PER / factor, failures / years * PER * factor
    return Rate(
        failures=failures,
        tooth_years=years,
        per_100=failures / years * PER if years else float("nan"),
        low=low,
        high=high,
        clustered_low=clustered_low,
        clustered_high=clustered_high,
        n_units=n_units,
    )


def poisson_limits(failures: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact limits of the mean of a Poisson count, by the chi-square quantiles; the lower is 0 for a count of 0."""
    tail = (1 - confidence) / 2
    low = float(chi2_quantile(tail, 2 * failures)) / 2 if failures else 0.0
    return low, float(chi2_quantile(1 - tail, 2 * failures + 2)) / 2
