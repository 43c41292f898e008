import math

import pytest

from pipeline.stats.e_value import e_value


def test_published_example():
    """VanderWeele & Ding 2017 (from memory): a risk ratio of 3.9 (95% 1.8 to 8.7) has E-values 7.26 and 3.0."""
    found = e_value(3.9, 1.8, 8.7, outcome_is_rare=True)
    assert found.estimate == pytest.approx(3.9 + math.sqrt(3.9 * 2.9))
    assert round(found.estimate, 2) == 7.26
    assert found.limit == pytest.approx(3.0)


def test_below_one_mirrors_above_one():
    above, below = (e_value(2, 1.5, 3, outcome_is_rare=True), e_value(1 / 2, 1 / 3, 1 / 1.5, outcome_is_rare=True))
    assert below.estimate == pytest.approx(above.estimate)
    assert below.limit == pytest.approx(above.limit)
    assert above.estimate == pytest.approx(2 + math.sqrt(2))


def test_common_outcome_by_hand():
    # HR 4: (1 - 0.5^2) / (1 - 0.5^0.5) = 0.75 / 0.2929 = 2.561.
    found = e_value(4, 1, 16, outcome_is_rare=False)
    assert found.limit == 1


def test_an_interval_that_holds_one_needs_no_explaining():
    assert e_value(1.3, 0.9, 1.8, outcome_is_rare=True).limit == 1
    assert e_value(1, 0.9, 1.1, outcome_is_rare=True).estimate == 1


@pytest.mark.parametrize(("ratio", "low", "high"), [(2, 2.1, 3), (2, 1, 1.9), (2, 0, 3), (2, 1, math.inf)])
def test_limits_must_enclose_the_estimate(ratio, low, high):
    with pytest.raises(ValueError, match="inside its limits"):
        e_value(ratio, low, high, outcome_is_rare=True)


def test_a_ratio_without_a_range_is_its_own_limit():
    found = e_value(2, 2, 2, outcome_is_rare=True)
    assert found.limit == found.estimate
