"""Limits of observed over expected counts, against sums of Poisson chances written out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.stats import expected as funnel


def chance_of(count: int, mean: float) -> float:
    return math.exp(-mean) * mean**count / math.factorial(count)


@pytest.mark.parametrize("mean", [0.7, 3.0, 8.5, 21.0])
def test_tails_are_sums_of_single_chances(mean: float) -> None:
    for count in range(40):
        fewer = sum(chance_of(k, mean) for k in range(count + 1))
        got = funnel.tails(count, mean)
        assert got[0] == pytest.approx(fewer, abs=1e-12)
        assert got[1] == pytest.approx(1 - fewer + chance_of(count, mean), abs=1e-12)


@pytest.mark.parametrize("coverage", [0.95, 0.998])
def test_a_count_is_outside_the_line_exactly_if_its_tail_is_too_small(coverage: float) -> None:
    means = [0.4, 1.0, 3.6, 3.8, 7.2, 12.0, 33.3]
    lows, highs = funnel.limits(means, coverage=coverage)
    for mean, low, high in zip(means, lows, highs, strict=True):
        for count in range(90):
            fewer, more = funnel.tails(count, mean)
            assert (count / mean > high) == (more < (1 - coverage) / 2)
            assert (count / mean < low) == (fewer < (1 - coverage) / 2)


def test_none_at_all_is_unlikely_enough_from_3_69_expected_on() -> None:
    # exp(-3.689) = 0.025: the known "rule" for a count of 0, two-sided 95 %.
    lows, _ = funnel.limits([3.6, 3.75], coverage=0.95)
    assert lows[0] == 0
    assert lows[1] > 0


def test_limits_hold_what_they_say_in_simulated_practices() -> None:
    counts = np.random.default_rng(8).poisson(12.0, 40_000) / 12.0
    (low,), (high,) = funnel.limits([12.0], coverage=0.95)
    outside = np.mean((counts < low) | (counts > high))
    assert 0.02 < outside <= 0.05


def test_what_cannot_be_judged_is_refused() -> None:
    with pytest.raises(ValueError, match="expected"):
        funnel.tails(1, 0.0)
    with pytest.raises(ValueError, match="expected"):
        funnel.limits([3.0, 0.0], coverage=0.95)
