"""A family of comparisons by hand: which estimates are in it, and what they come to."""

import math

import pytest

from pipeline.questions.many_looks import adjust_for_many
from pipeline.results import Comparison, Estimate, Verdict


def estimate(contrast: str, p: float, *, adjusted: tuple[str, ...] = ("age",)) -> Estimate:
    return Estimate(contrast, "cox", adjusted, (), 2.0, 1.0, 4.0, p, "patient_id", 10, 10, 5, 8)


def comparison(name: str, *estimates: Estimate) -> Comparison:
    verdict = Verdict("cannot_tell", "", "", "", "", "", 5.0)
    return Comparison(name, "", "", "", "", (), estimates, None, None, verdict, (), (), (), 5.0)


FAMILY = (
    comparison("sealer", estimate("a vs b", 0.5, adjusted=()), estimate("a vs b", 0.01)),
    comparison("dam", estimate("yes vs no", 0.04), estimate("yes vs unknown", 0.001, adjusted=())),
    comparison("file", estimate("c vs d", 0.03), estimate("e vs d", math.nan)),
)


def test_three_looks():
    # Holm: 3 x 0.01, 2 x 0.03, then 1 x 0.04 raised to the one before. False discovery: 3 x 0.01, 3/2 x 0.03 lowered
    # to the one after, 0.04.
    found = [(look.comparison, look.contrast, look.p, look.p_holm, look.q) for look in adjust_for_many(FAMILY)]
    assert found == [
        ("sealer", "a vs b", 0.01, 0.03, 0.03),
        ("file", "c vs d", 0.03, 0.06, pytest.approx(0.04)),
        ("dam", "yes vs no", 0.04, 0.06, 0.04),
    ]


def test_order_changes_nothing_and_none_is_none():
    assert adjust_for_many(reversed(FAMILY)) == adjust_for_many(FAMILY)
    assert adjust_for_many([]) == ()


def test_of_two_adjusted_estimates_the_fuller_counts_and_no_comparison_twice():
    two = comparison("x", estimate("a vs b", 0.2), estimate("a vs b", 0.1, adjusted=("age", "sex")))
    assert [look.p for look in adjust_for_many([two])] == [0.1]
    with pytest.raises(ValueError, match="1 contrasts stand in the family twice"):
        adjust_for_many([two, two])
