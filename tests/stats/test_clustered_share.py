"""Limits of a share by hand: independent rows, doubled rows, nothing to go by."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import beta

from pipeline.stats.clustered import clustered_share


def test_one_row_a_cluster_loses_one_row_to_the_unknown_variance():
    # 3 of 10: variance 10/9 * 0.21 / 10 = 0.21 / 9, so 9 rows' worth, and both t quantiles are the same.
    found = clustered_share([1] * 3 + [0] * 7, range_of(10))
    assert found.effective == pytest.approx(9.0)
    # Clopper and Pearson for 2.7 of 9.
    assert found.low == pytest.approx(beta.ppf(0.025, 2.7, 7.3))
    assert found.high == pytest.approx(beta.ppf(0.975, 3.7, 6.3))


def test_a_second_row_that_repeats_the_first_tells_nothing():
    once = clustered_share([1] * 3 + [0] * 7, range_of(10))
    twice = clustered_share(([1] * 3 + [0] * 7) * 2, np.tile(range_of(10), 2))
    # The variance stays 0.21 / 9; only the t quantiles know of 19 degrees of freedom against 9.
    assert twice.share == once.share
    assert twice.effective == pytest.approx(9.0 * (2.093024 / 2.262157) ** 2, rel=1e-5)


def test_patients_with_one_good_and_one_bad_tooth_never_beat_independence():
    found = clustered_share([1, 0] * 10, np.repeat(range_of(10), 2))
    assert found.effective == 10.0  # no variance between patients: each counts once
    found = clustered_share([1, 0] * 10 + [1], np.append(np.repeat(range_of(10), 2), 10))
    assert found.effective == 21.0


def test_none_failed_claims_no_certainty():
    # 8 teeth of 4 patients: (0.025)^(1/4).
    found = clustered_share([1] * 8, np.repeat(range_of(4), 2))
    assert (found.share, found.high) == (1.0, 1.0)
    assert found.low == pytest.approx(0.025**0.25)
    assert clustered_share([1, 1], ["a", "a"]).low == 0.0


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.booleans(), st.integers(0, 5)), min_size=2, max_size=30), st.randoms())
def test_row_order_never_matters(rows, random):
    mixed = list(rows)
    random.shuffle(mixed)
    one, other = (clustered_share([r[0] for r in each], [r[1] for r in each]) for each in (rows, mixed))
    assert one == other
    assert 0 <= one.low <= one.share <= one.high <= 1


def test_limits_hold_the_truth_as_often_as_they_say():
    # 300 samples of 60 patients with 1 to 4 teeth, a patient's teeth alike (success at 0.6 or 0.95): 0.775 on average.
    random, hits = np.random.default_rng(5), 0
    for _ in range(300):
        teeth = random.integers(1, 5, size=60)
        chance = np.repeat(random.choice([0.6, 0.95], size=60), teeth)
        found = clustered_share(random.random(len(chance)) < chance, np.repeat(range_of(60), teeth))
        hits += found.low <= 0.775 <= found.high
    assert 276 <= hits <= 297


def test_refuses_what_it_cannot_use():
    with pytest.raises(ValueError, match="0 rows"):
        clustered_share([], [])
    with pytest.raises(ValueError, match="2 rows and 1 labels"):
        clustered_share([1, 0], ["a"])


def range_of(n: int) -> np.ndarray:
    return np.arange(n)
