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
    OTHER_COVARIATE,
    fewest_behind,
    is_rounded,
    is_rounded_error,
    log_step,
    nearest_log,
    nearest_step,
    nth_letter,
    on_step,
    protected,
    rounded_count,
    rounded_error,
    running_count,
    sayable_covariates,
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


@pytest.mark.parametrize(
    ("told", "step"),
    [
        (25, None), (30, 20), (50, 20), (55, 10), (100, 10), (105, 5), (250, 5), (255, 2), (500, 2), (505, 1),
    ],
)  # fmt: skip
def test_each_step_per_100_begins_where_the_fewest_behind_are_enough(told, step):
    # Behind 30 stand 28 at least, and 20 of 100 of them are 5.6; behind 25 stand 23, and 20 of 100 are 4.6.
    assert step_per_100(told) == step


@pytest.mark.parametrize(
    ("told", "step"),
    [
        (10, 0.5), (15, 0.4), (20, 0.3), (25, 0.25), (30, 0.2), (35, 0.2), (40, 0.15), (50, 0.15), (55, 0.1),
        (70, 0.1), (75, 0.07), (100, 0.07), (105, 0.05), (165, 0.05), (170, 0.03), (250, 0.03), (255, 0.02),
        (500, 0.02), (505, 0.01), (9000, 0.01),
    ],
)  # fmt: skip
def test_each_step_of_logs_begins_where_the_fewest_behind_are_enough(told, step):
    # Behind 75 stand 73 at least, and 0.07 of them are 5.1; behind 70 stand 68, and 0.07 are 4.8.
    assert log_step(told) == step


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (0.04, 0.04), (0.05, 0.06), (0.2, 0.2), (0.24, 0.3), (0.3, 0.3), (0.33, 0.4), (0.5, 0.6), (1.0, 1.0),
        (2.5, 3.0), (5.0, 6.0), (10.0, 10.0), (25.0, 30.0), (50.0, 50.0), (55.0, 60.0),
    ],
)  # fmt: skip
def test_an_error_of_eleven_failures_by_hand(error, told):
    # Five of 11 failures move an error by 5/22 of it: 0.05 by 0.011, so that it moves in steps of 0.02, upwards.
    assert rounded_error(error, step=0.0, failures_told=10) == told
    assert is_rounded_error(told, failures_told=10)


def test_the_error_of_rounding_is_added():
    # 0.25 rounded to steps of 0.5 errs by 0.5 / sqrt(12) = 0.144, together 0.289, in steps of 0.1.
    assert rounded_error(0.25, step=0.5, failures_told=10) == 0.3
    assert rounded_error(0.25, step=0.9, failures_told=10) == 0.4  # 0.36
    # Behind 100 stand 98: five of them move 0.25 by 0.0064.
    assert rounded_error(0.25, step=0.0, failures_told=100) == 0.25


@pytest.mark.parametrize(
    ("value", "may"),
    [(0.25, True), (0.35, False), (0.27, False), (0.06, True), (0.07, False), (60.0, True), (61.0, False)],
)
def test_an_error_finer_than_five_failures_is_none_of_ours(value, may):
    assert is_rounded_error(value, failures_told=10) is may


@pytest.mark.parametrize(
    ("value", "may"),
    [(None, True), (10, True), (15, True), (5, False), (0, False), (11, False), (10.0, False), (True, False)],
)
def test_what_a_rounded_count_is(value, may):
    assert is_rounded(value) is may


def test_the_fewest_behind_a_count():
    assert [fewest_behind(n) for n in (10, 15, 20, 1000)] == [11, 13, 18, 998]


def test_what_is_left_out_counts_as_hidden():
    assert protected([100, 60], left_out=True) == [100, None]
    assert protected([7, 40], left_out=True) == [None, 40]
    assert protected([40], left_out=True) == [40]
    assert protected([7]) == [None]
    assert protected([]) == []


def test_halves_go_up():
    assert [nearest_step(v, 5) for v in (7.4, 7.5, 2.4, -2.5, -2.6, -7.5)] == [5, 10, 0, 0, -5, -5]
    assert [nearest_log(v, 0.2) for v in (0.29, 0.31, -0.09, -0.31)] == [0.2, 0.4, 0.0, -0.4]


def test_letters_go_on_after_z():
    assert [nth_letter(i) for i in (0, 1, 25, 26, 27, 51, 52, 701, 702)] == [
        "A", "B", "Z", "AA", "AB", "AZ", "BA", "ZZ", "AAA",
    ]  # fmt: skip


def test_characteristics_of_a_practices_own_are_one():
    given_ = ("sex", "the owner's mood", "smoking", "the tide", "sex")
    assert sayable_covariates(given_) == ("sex", OTHER_COVARIATE, "smoking")
    assert sayable_covariates(("the tide",), ("the tide",)) == ("the tide",)
