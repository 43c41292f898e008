"""The rules of disclosure: what a count, a running count, a step and an error may tell."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.disclosure import (
    ERROR_STEPS,
    LOG_STEPS,
    fewest_behind,
    is_rounded,
    is_rounded_error,
    log_step,
    nearest_log,
    on_step,
    protected,
    rounded_count,
    rounded_error,
    running_count,
    step_per_100,
)

counts = st.integers(11, 5000)


@pytest.mark.parametrize(
    ("n", "told"), [(0, None), (10, None), (11, 10), (12, 10), (13, 15), (17, 15), (18, 20), (1002, 1000)]
)
def test_counts_are_hidden_or_rounded(n, told):
    assert rounded_count(n) == told


def test_a_lone_hidden_count_takes_the_smallest_other_with_it():
    # 7 alone would be 150 less 40 and 105.
    assert protected([7, 40, 103]) == [None, None, 105]
    assert protected([7, 8, 103]) == [None, None, 105]
    assert protected([20, 40, 103]) == [20, 40, 105]


def test_a_running_count_holds_until_five_more_have_failed():
    assert running_count([3, 10, 11, 13, 15, 16, 17, 30]) == [None, None, 10, 10, 10, 15, 15, 30]


@given(st.lists(st.integers(0, 4), max_size=80))
def test_no_two_values_of_a_running_count_are_less_than_five_failures_apart(added):
    totals = [sum(added[: i + 1]) for i in range(len(added))]
    told = running_count(totals)
    changes = [t for i, t in enumerate(totals) if told[i] != (told[i - 1] if i else None)]
    assert all(b - a >= 5 for a, b in itertools.pairwise(changes))
    assert all(t >= 11 for t in changes)
    assert all(is_rounded(t) for t in told)


@pytest.mark.parametrize(("told", "step"), [(10, None), (25, None), (30, 20), (55, 10), (105, 5), (505, 1)])
def test_steps_per_100_are_worth_five_teeth(told, step):
    assert step_per_100(told) == step


@pytest.mark.parametrize(("failures", "step"), [(10, 0.5), (15, 0.4), (25, 0.25), (55, 0.1), (105, 0.05), (510, 0.01)])
def test_steps_of_log_ratios_are_worth_five_failures(failures, step):
    assert log_step(failures) == step


@given(counts)
def test_a_failure_more_or_less_never_moves_a_log_ratio_by_half_a_step(failures):
    # A rate of n failures moves by the logarithm of (n + 1) / n.
    assert math.log((failures + 1) / failures) < log_step(rounded_count(failures) or 0) / 2


@given(st.floats(-5, 5), counts)
def test_a_told_log_ratio_is_near_and_on_its_step(value, failures):
    step = log_step(rounded_count(failures) or 0)
    told = nearest_log(value, step)
    assert abs(told - value) <= step / 2 + 0.005
    assert abs(told / step - round(told / step)) < 1e-6
    assert math.copysign(1, told) == 1 or told < 0


@given(st.floats(0.02, 20), counts, st.sampled_from(LOG_STEPS))
def test_a_told_error_is_never_too_small_nor_tells_one_failure(error, failures, step):
    told = rounded_count(failures) or 0
    given_ = rounded_error(error, step=step, failures_told=told)
    whole = math.sqrt(error**2 + step**2 / 12)
    assert given_ >= whole - 1e-6
    assert is_rounded_error(given_, failures_told=told)
    # Of five failures more: the error falls by about this much, and the step is at least as wide.
    worth = whole * (1 - math.sqrt(fewest_behind(told) / (fewest_behind(told) + 5)))
    assert any(on_step(given_, s) and s >= worth * 0.99 for s in ERROR_STEPS)
