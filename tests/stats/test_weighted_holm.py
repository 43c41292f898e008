"""Holm's rule with weights: by hand, against the plain rule, and its promise kept when nothing is there."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stats.multiplicity import holm


def test_by_hand():
    # Weights 8, 1, 1. p / w: .03/8 = .00375, .004/1, .02/1. The first is held against all (10), the second against
    # the two left (2), the third against itself: .0375, .008 raised to .0375, .02 raised to .0375.
    assert holm([0.03, 0.004, 0.02], [8, 1, 1]).tolist() == pytest.approx([0.0375, 0.0375, 0.0375])
    # Not claimed by itself (.05 against .04), the heavy one leaves nothing to the others: .006 against .005.
    assert holm([0.05, 0.006], [4, 1]).tolist() == pytest.approx([0.05, 0.03])
    assert holm([0.05, 0.02], [4, 1]).tolist() == pytest.approx([0.0625, 0.0625])
    assert holm([0.7, 0.8]).tolist() == [1.0, 1.0]  # a probability, however many are asked


@given(st.lists(st.floats(0, 1), min_size=1, max_size=20), st.floats(0.1, 10))
def test_equal_weights_are_the_plain_rule(p, weight):
    assert holm(p, [weight] * len(p)) == pytest.approx(holm(p))


def test_false_claims_stay_rare():
    rng = np.random.default_rng(3)
    weights = [0.8, *[0.2 / 50] * 50]
    wrong = sum(bool((holm(rng.random(51), weights) < 0.05).any()) for _ in range(4000))
    # 5 % of 4,000 are 200, with a standard deviation of 14.
    assert wrong <= 243


@pytest.mark.parametrize(
    ("p", "weights"),
    [([0.5, 1.2], [1, 1]), ([-0.1, 0.5], [1, 1]), ([0.5, 0.5], [1, 0]), ([0.5, np.nan], [1, 1]), ([0.5], [1, 1])],
)
def test_impossible_values_are_refused(p, weights):
    with pytest.raises(ValueError, match="weight"):
        holm(p, weights)
