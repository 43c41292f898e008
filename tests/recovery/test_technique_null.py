"""Where nothing makes a difference, hardly a practice is told that something does."""

import pytest
from scipy.stats import binom
from technique_null import claims, null_practice

from pipeline.questions.analysis import Analysis

CHANCE = 0.05


def false_alarms(practices: int, *, teeth: int, first_seed: int) -> int:
    """Practices with a false claim: by the main comparison, a technique contrast or a curve, all as one family."""
    wrong = 0
    for seed in range(first_seed, first_seed + practices):
        named, looks = claims(null_practice(seed, teeth=teeth), Analysis())
        assert looks > 80, "all questions are asked"
        wrong += bool(named)
    return wrong


def test_a_few_practices_in_which_nothing_differs():
    # At a true chance of 5 %, 2 or more of 4 come up once in 70 runs.
    assert binom.sf(1, 4, CHANCE) < 1 / 70
    assert false_alarms(4, teeth=900, first_seed=12_000) <= 1


@pytest.mark.slow
def test_two_hundred_practices_in_which_nothing_differs():
    """At most 5 % of 200 practices with a false claim.

    A method that in truth is wrong in 10 of 100 practices would pass once in 120 runs; one that is wrong in 3 of 100
    fails once in 24.
    """
    allowed = int(200 * CHANCE)
    assert binom.cdf(allowed, 200, 0.10) < 1 / 120
    assert binom.sf(allowed, 200, 0.03) < 1 / 24
    assert false_alarms(200, teeth=1000, first_seed=11_000) <= allowed
