import numpy as np
import pytest
from scipy.special import ndtri

from pipeline.stats.clustered import bootstrap_clusters, draw_counts, percentile_limits

# Efron B, Tibshirani RJ. An Introduction to the Bootstrap. Chapman & Hall, 1993, table 14.1: the spatial test, A.
SPATIAL = np.fromstring("48 36 20 29 42 42 20 42 22 41 45 14 6 0 33 28 34 4 32 24 47 41 24 26 30 41", sep=" ")


def _variance(counts):
    mean = np.average(SPATIAL, weights=counts)
    return np.array([np.average((SPATIAL - mean) ** 2, weights=counts)])


def test_draws_depend_on_seed_and_number_alone():
    counts = draw_counts(50, seed=3, replicate=7)
    assert counts.sum() == 50
    assert counts.tolist() == draw_counts(50, seed=3, replicate=7).tolist()
    assert counts.tolist() != draw_counts(50, seed=3, replicate=8).tolist()
    assert counts.tolist() != draw_counts(50, seed=4, replicate=7).tolist()


def test_published_limits_of_a_variance():
    """Table 14.2 of the same book (from memory): estimate 171.5, 90% limits 100.8 to 233.9 by percentile. Theirs are
    2,000 draws, so that their limits hold to about 4."""
    assert _variance(np.ones(len(SPATIAL))) == pytest.approx(171.5, abs=0.05)
    drawn = bootstrap_clusters(_variance, len(SPATIAL), replicates=2000, seed=1)
    low, high = percentile_limits(drawn, confidence=0.90)
    assert (low[0], high[0]) == pytest.approx((100.8, 233.9), abs=6)


def test_limits_of_a_symmetric_spread_by_hand():
    # 999 replicates at the quantiles k/1000 of the normal: its 2.5% is the 25th, whichever way.
    values = ndtri(np.arange(1, 1000) / 1000)
    low, high = percentile_limits(np.column_stack([values, 2 * values]), confidence=0.95)
    assert low == pytest.approx([values[24], 2 * values[24]])
    assert high == pytest.approx([values[974], 2 * values[974]])


def test_refuses_what_cannot_be_drawn():
    for clusters, replicates in ((1, 10), (5, 0)):
        with pytest.raises(ValueError, match="at least"):
            bootstrap_clusters(_variance, clusters, replicates=replicates, seed=1)
