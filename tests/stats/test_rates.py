import math

import numpy as np
import pytest
from scipy.stats import poisson

from pipeline.stats.rates import failure_rate, poisson_limits


def test_by_hand():
    # Two failures in 4 years (1461 days) under observation: 50 per 100 tooth-years.
    rate = failure_rate([365, 731, 465], [1, 0, 1], entry_days=[0, 0, 100])
    assert rate.failures == 2
    assert rate.tooth_years == pytest.approx(1461 / 365.25)
    assert rate.per_100 == pytest.approx(50)


@pytest.mark.parametrize(("count", "low", "high"), [(0, 0, 3.6889), (1, 0.0253, 5.5716), (10, 4.7954, 18.3904)])
def test_published_exact_limits(count, low, high):
    """Garwood's table, as reprinted in Breslow & Day, Statistical Methods in Cancer Research II (from memory)."""
    assert poisson_limits(count) == (pytest.approx(low, abs=1e-4), pytest.approx(high, abs=1e-4))


@pytest.mark.parametrize("count", [1, 3, 40])
def test_exact_limits_leave_a_tail_of_one_fortieth(count):
    low, high = poisson_limits(count)
    assert poisson.sf(count - 1, low) == pytest.approx(0.025)
    assert poisson.cdf(count, high) == pytest.approx(0.025)


def test_clustered_limits_by_hand():
    # Patient A: 2 failures in 2 years; patient B: 0 in 2 years. Rate 1/2 a year; surplus 2 - 1 = 1 and 0 - 1 = -1.
    rate = failure_rate([487, 487, 487], [1, 1, 0], cluster=["A", "A", "B"])
    years = 487 / 365.25
    r = 2 / (3 * years)
    surplus = np.array([2 - r * 2 * years, -r * years])
    error = math.sqrt(float((surplus**2).sum())) / 2
    assert rate.clustered_high == pytest.approx(100 * r * math.exp(1.959963985 * error))
    assert rate.clustered_low == pytest.approx(100 * r * math.exp(-1.959963985 * error))
    assert rate.n_units == 2


def test_whole_clusters_failing_together_widen_the_limits():
    exit_days, event = np.full(40, 1000), np.tile([1, 1, 0, 0], 10)
    apart = failure_rate(exit_days, event)
    together = failure_rate(exit_days, event, cluster=np.arange(40) // 2)
    assert together.per_100 == apart.per_100
    assert together.clustered_high > apart.clustered_high


def test_no_failures_and_no_time():
    none = failure_rate([100, 200], [0, 0])
    assert none.per_100 == 0
    assert none.low == 0
    assert none.high == pytest.approx(100 * -math.log(0.025) / none.tooth_years)
    assert math.isnan(none.clustered_high)
    assert math.isnan(failure_rate([0], [1]).per_100)
