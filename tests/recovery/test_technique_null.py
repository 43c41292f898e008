"""Where nothing makes a difference, hardly a practice is told that something does."""

import pytest
from scipy.stats import binom
from technique_null import claims, null_practice

from pipeline.questions.analysis import Analysis

CHANCE = 0.05


def false_alarms(practices: int, *, teeth: int, first_seed: int) -> tuple[int, int]:
    """Practices with a false claim by the main comparison, and by a technique contrast or a curve: a family each."""
    main, technique = 0, 0
    for seed in range(first_seed, first_seed + practices):
        of_main, of_techniques, looks = claims(null_practice(seed, teeth=teeth), Analysis())
        assert looks > 75, "all questions are asked"
        main += of_main
        technique += bool(of_techniques)
    return main, technique


def test_a_few_practices_in_which_nothing_differs():
    # At a true chance of 5 %, 2 or more of 4 come up once in 70 runs.
    assert binom.sf(1, 4, CHANCE) < 1 / 70
    assert max(false_alarms(4, teeth=900, first_seed=12_000)) <= 1


@pytest.mark.slow
def test_two_hundred_practices_in_which_nothing_differs():
    """At most 5 % of 200 practices with a false claim, in either family.

    A method that in truth is wrong in 10 of 100 practices would pass once in 120 runs; one that is wrong in 3 of 100
    fails once in 24.
    """
    allowed = int(200 * CHANCE)
    assert binom.cdf(allowed, 200, 0.10) < 1 / 120
    assert binom.sf(allowed, 200, 0.03) < 1 / 24
    assert max(false_alarms(200, teeth=1000, first_seed=11_000)) <= allowed
