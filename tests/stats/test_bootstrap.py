import os
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.special import ndtri

from pipeline.stats.bootstrap import THREADS, bca_limits, bootstrap_clusters, draw_counts, percentile_limits

# Efron B, Tibshirani RJ. An Introduction to the Bootstrap. Chapman & Hall, 1993, table 14.1: the spatial test, A.
SPATIAL = "48 36 20 29 42 42 20 42 22 41 45 14 6 0 33 28 34 4 32 24 47 41 24 26 30 41"


@dataclass(frozen=True)
class Variance:
    values: np.ndarray

    def __call__(self, counts):
        mean = np.average(self.values, weights=counts)
        return np.array([np.average((self.values - mean) ** 2, weights=counts)]), "converged"


@dataclass(frozen=True)
class FailsWithout:
    """No estimate where the first cluster was not drawn."""

    def __call__(self, counts):
        return np.array([float(counts[0])]), "converged" if counts[0] else "failed"


def test_draws_depend_on_seed_and_number_alone():
    counts = draw_counts(50, seed=3, replicate=7)
    assert counts.sum() == 50
    assert counts.tolist() == draw_counts(50, seed=3, replicate=7).tolist()
    assert counts.tolist() != draw_counts(50, seed=3, replicate=8).tolist()
    assert counts.tolist() != draw_counts(50, seed=4, replicate=7).tolist()


@pytest.mark.thorough
def test_published_limits_of_a_variance():
    """Table 14.2 of the same book (from memory): estimate 171.5, 90% limits 100.8 to 233.9 by percentile, 115.8 to
    259.6 by BCa, acceleration 0.061. Theirs are 2,000 draws, so that their limits hold to about 4."""
    values = np.array(SPATIAL.split(), dtype=float)
    squares = (values - values.mean()) ** 2
    estimate, pull = squares.mean(), (squares - squares.mean()) / len(values)
    assert estimate == pytest.approx(171.5, abs=0.05)
    assert np.sum(pull**3) / (6 * np.sum(pull**2) ** 1.5) == pytest.approx(0.061, abs=5e-4)
    drawn = bootstrap_clusters(Variance(values), len(values), replicates=20_000, seed=1).values[:, 0]
    percentile = percentile_limits(drawn, confidence=0.90)
    bca = bca_limits(drawn, estimate=estimate, influence=pull, confidence=0.90)
    assert (percentile.low, percentile.high) == pytest.approx((100.8, 233.9), abs=4)
    assert (bca.low, bca.high) == pytest.approx((115.8, 259.6), abs=4)


def test_limits_of_a_symmetric_spread_by_hand():
    # 999 replicates at the quantiles k/1000 of the normal: its 2.5% is the 25th, whichever way.
    values = ndtri(np.arange(1, 1000) / 1000)
    for found in (percentile_limits(values), bca_limits(values, estimate=0.0, influence=np.array([1.0, -1.0]))):
        assert (found.low, found.high) == pytest.approx((values[24], values[974]))
    # Six tenths of the replicates lie below the estimate: bias 0.2533, so that the limits are at 2 * 0.2533 -+ 1.96.
    biased = bca_limits(values, estimate=float(values[599]), influence=np.array([1.0, -1.0]))
    assert (biased.low, biased.high) == pytest.approx((2 * 0.253347 - 1.959964, 2 * 0.253347 + 1.959964), abs=0.02)


def test_bca_does_not_mind_the_scale():
    values = np.random.default_rng(1).gamma(5, size=1999)
    pull = np.array([3.0, -1.0, -2.0, 0.5, -0.5])
    plain = bca_limits(values, estimate=5.0, influence=pull)
    logs = bca_limits(np.log(values), estimate=float(np.log(5.0)), influence=pull / 5)
    assert (np.exp(logs.low), np.exp(logs.high)) == pytest.approx((plain.low, plain.high), rel=2e-3)
    assert np.isnan(bca_limits(values, estimate=-1.0, influence=pull).low)  # all replicates on one side


def test_failed_replicates_are_counted_and_too_many_leave_no_limits():
    drawn = bootstrap_clusters(FailsWithout(), 30, replicates=200, seed=1)
    # One in e of the draws leaves out a given cluster.
    assert drawn.failed == pytest.approx(200 * np.exp(-1), abs=25)
    assert drawn.words == {"converged": 200 - drawn.failed, "failed": drawn.failed}
    assert np.isnan(drawn.values[:, 0]).sum() == drawn.failed
    limits = percentile_limits(drawn.values[:, 0])
    assert np.isnan(limits.low)
    assert (limits.n_used, limits.n_failed) == (200 - drawn.failed, drawn.failed)
    few = np.concatenate((np.arange(95.0), [np.nan] * 5))
    assert percentile_limits(few).high == pytest.approx(np.quantile(np.arange(95.0), 0.975, method="weibull"))
    assert np.isnan(percentile_limits(np.concatenate((few, [np.nan]))).high)


@pytest.mark.thorough
def test_progress_reaches_the_end_and_environment_is_left_as_it_was():
    calls = []
    before = {name: os.environ.get(name) for name in THREADS}
    values = np.arange(10.0)
    for workers in (1, 2):
        bootstrap_clusters(
            Variance(values), 10, replicates=45, seed=1, workers=workers, progress=lambda *c: calls.append(c)
        )
        assert calls[-1] == (45, 45)
        assert [done for done, _ in calls] == sorted(done for done, _ in calls)
        calls.clear()
    assert {name: os.environ.get(name) for name in THREADS} == before


def test_refuses_what_cannot_be_drawn():
    for options in ({"n_clusters": 1}, {"n_clusters": 5, "replicates": 0}, {"n_clusters": 5, "workers": 0}):
        with pytest.raises(ValueError, match="at least"):
            bootstrap_clusters(FailsWithout(), seed=1, **options)
