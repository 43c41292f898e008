"""The rules of disclosure: what a count, a running count, a step and an error may tell."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plain_gate import plain_gate

from pipeline.release.disclosure import (
    ERROR_STEPS,
    FEW,
    LOG_STEPS,
    ONE_PATIENT,
    OTHER_COVARIATE,
    Gate,
    Rounding,
    fewest_behind,
    is_rounded,
    is_rounded_error,
    log_step,
    nearest_log,
    nearest_step,
    nth_letter,
    on_step,
    rounded_error,
    sayable_covariates,
    step_per_100,
)

counts = st.integers(11, 5000)


ROUNDINGS = [Rounding(str(i).encode()) for i in range(40)]


@given(st.integers(0, 5000), st.sampled_from(ROUNDINGS))
def test_counts_are_hidden_or_told_within_four(n, rounding):
    told = rounding.count(n)
    assert is_rounded(told)
    if told is None:
        assert n <= 14
    else:
        assert n >= 11
        assert abs(told - n) <= 4
        assert fewest_behind(told) <= n


@pytest.mark.parametrize("n", [0, 1, 10])
def test_ten_and_fewer_are_hidden_by_every_rounding(n):
    assert {r.count(n) for r in ROUNDINGS} == {None}


@pytest.mark.parametrize("n", [11, 12, 13, 14, 15, 16, 17, 38, 102, 4001])
def test_each_way_of_telling_a_count_comes_up(n):
    """Which of the two steps around it, or none while it is small, is drawn: nobody can tell a count from its step."""
    found = {r.count(n) for r in ROUNDINGS}
    wanted = {5 * (n // 5), 5 * (n // 5) + 5} if n % 5 else {n}
    if n < 15:
        wanted = {None, 15}
    assert found == wanted


@given(st.integers(0, 3000), st.integers(0, 50), st.sampled_from(ROUNDINGS))
def test_a_part_is_never_told_as_more_than_the_whole(part, rest, rounding):
    assert (rounding.count(part) or 0) <= (rounding.count(part + rest) or 0)


@given(st.integers(0, 3000), st.integers(0, 60), st.sampled_from(ROUNDINGS))
def test_two_told_counts_that_surely_differ_may_differ_by_eleven(part, rest, rounding):
    """Of the difference an outsider knows its told value, 4 off either way for each of the two."""
    whole_told, part_told = rounding.count(part + rest), rounding.count(part)
    if whole_told is None or part_told is None:
        return
    least, most = whole_told - part_told - 8, whole_told - part_told + 8
    assert least <= rest <= most
    assert least < 1 or most >= 11


def test_the_same_records_are_told_alike_and_other_ones_anew():
    one, same, other = (Rounding(k) for k in (b"a", b"a", b"b"))
    numbers = range(11, 400)
    assert [one.count(n) for n in numbers] == [same.count(n) for n in numbers]
    assert 100 < sum(one.count(n) != other.count(n) for n in numbers) < 300


@pytest.mark.parametrize(
    ("counts", "told"),
    [
        ([7, 40, 103], [None, None, 105]),
        ([7, 8, 103], [None, None, 105]),
        ([3, 4, 20, 103], [None, None, None, 105]),
        ([20, 40, 103], [20, 40, 105]),
        ([0, 40, 103], [None, None, 105]),  # or to tell 40 said that nobody is hidden
        ([0, 20, 40, 103], [None, 20, 40, 105]),  # what three leave of a total is open by 16
        ([7, 20, 40, 103], [None, 20, 40, 105]),
        ([7, 3, 103], [None, None, None]),  # all others are few
        ([7, 4, 103], [None, None, 105]),
        ([40, 103], [None, 105]),
        ([103], [None]),
        ([7], [None]),
    ],
)
def test_of_fewer_than_three_counts_the_largest_is_told_where_the_others_are_many(counts, told):
    assert plain_gate().table("abcd"[: len(counts)], counts) == told


def test_what_a_table_hides_for_anothers_sake_is_hidden_in_every_table():
    gate = plain_gate()
    assert gate.table(("a", "b", "c"), [100, 30, 40]) == [100, 30, 40]
    assert gate.table(("a", "b", "d"), [100, 30, 4]) == [100, None, None]
    assert not gate.settled
    gate.walk()
    # The first table now hides b, which alone would be told by the total.
    assert gate.table(("a", "b", "c"), [100, 30, 40]) == [100, None, None]  # c goes with it
    assert gate.teeth(30, group="b") is None
    assert gate.teeth(31, group="b") == 30  # another population of that name
    assert gate.failures(30, group="b") == 30
    gate.walk()
    assert gate.table(("a", "b", "c"), [100, 30, 40]) == [100, None, None]
    assert gate.settled


def test_few_patients_and_one_of_many_teeth_hide_a_count():
    gate = plain_gate(teeth_of_one=14, failures_of_one=8)
    assert (gate.teeth(40, 10), gate.teeth(40, 11)) == (None, 40)
    assert (gate.teeth(27), gate.teeth(28), gate.failures(15), gate.failures(16)) == (None, 30, None, 15)
    assert {why for _, why in gate.withheld} == {FEW, ONE_PATIENT}


@given(st.floats(0, 100), st.sampled_from([1, 2, 5, 10, 20]), st.sampled_from(ROUNDINGS))
def test_a_share_stands_on_one_of_the_steps_around_it(value, step, rounding):
    told = rounding.share(value, step)
    assert told % step == 0
    assert abs(told - value) <= step
    assert (told in (0, 100)) <= (value in (0, 100) or min(value, 100 - value) < 1e-4)


def test_each_way_of_telling_a_share_comes_up():
    assert {r.share(43, 5) for r in ROUNDINGS} == {40, 45}
    assert {r.share(45, 5) for r in ROUNDINGS} == {45}
    assert {r.share(0.1, 5) for r in ROUNDINGS} == {5}
    assert {r.share(99.9, 5) for r in ROUNDINGS} == {95}


def test_a_running_count_holds_until_eleven_more_have_failed():
    running = plain_gate().rounding.running
    totals = [3, 10, 11, 13, 21, 22, 33, 50]
    assert running(totals, range(8)) == [None, None, 15, 15, 15, 20, 35, 50]
    # It waits for the number followed to be told otherwise: 22 comes to be told when 30 and not 35 are followed.
    assert running(totals, [45, 45, 40, 35, 35, 35, 30, 30]) == [None, None, 15, 15, 15, 15, 35, 35]


@given(st.lists(st.integers(0, 6), max_size=80), st.sampled_from(ROUNDINGS))
def test_no_two_values_of_a_running_count_are_less_than_eleven_failures_apart(added, rounding):
    totals = [sum(added[: i + 1]) for i in range(len(added))]
    told = rounding.running(totals, range(len(totals)))
    changes = [t for i, t in enumerate(totals) if told[i] != (told[i - 1] if i else None)]
    assert all(b - a >= 11 for a, b in itertools.pairwise(changes))
    assert all(t >= 11 for t in changes)
    assert all(is_rounded(t) for t in told)


@pytest.mark.parametrize(("told", "step"), [(15, None), (25, None), (30, 20), (55, 10), (105, 5), (505, 1)])
def test_steps_per_100_are_worth_five_teeth(told, step):
    assert step_per_100(told) == step


@pytest.mark.parametrize(("failures", "step"), [(15, 0.5), (20, 0.4), (25, 0.25), (55, 0.1), (105, 0.05), (510, 0.01)])
def test_steps_of_log_ratios_are_worth_five_failures(failures, step):
    assert log_step(failures) == step


@given(counts)
def test_a_failure_more_or_less_never_moves_a_log_ratio_by_half_a_step(failures):
    # A rate of n failures moves by the logarithm of (n + 1) / n.
    assert math.log((failures + 1) / failures) < log_step(plain_gate().rounding.count(failures) or 0) / 2


@given(st.floats(-5, 5), counts)
def test_a_told_log_ratio_is_near_and_on_its_step(value, failures):
    step = log_step(plain_gate().rounding.count(failures) or 0)
    told = nearest_log(value, step)
    assert abs(told - value) <= step / 2 + 0.005
    assert abs(told / step - round(told / step)) < 1e-6
    assert math.copysign(1, told) == 1 or told < 0


@given(st.floats(0.02, 20), counts, st.sampled_from(LOG_STEPS))
def test_a_told_error_is_never_too_small_nor_tells_one_failure(error, failures, step):
    told = plain_gate().rounding.count(failures) or 0
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
    # Behind 30 stand 26 at least, and 20 of 100 of them are 5.2; behind 25 stand 21, and 20 of 100 are 4.2.
    assert step_per_100(told) == step


@pytest.mark.parametrize(
    ("told", "step"),
    [
        (15, 0.5), (20, 0.4), (25, 0.25), (30, 0.2), (35, 0.2), (40, 0.15), (50, 0.15), (55, 0.1),
        (75, 0.1), (80, 0.07), (100, 0.07), (105, 0.05), (170, 0.05), (175, 0.03), (250, 0.03), (255, 0.02),
        (500, 0.02), (505, 0.01), (9000, 0.01),
    ],
)  # fmt: skip
def test_each_step_of_logs_begins_where_the_fewest_behind_are_enough(told, step):
    # Behind 80 stand 76 at least, and 0.07 of them are 5.3; behind 75 stand 71, and 0.07 are 4.97.
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
    assert rounded_error(error, step=0.0, failures_told=15) == told
    assert is_rounded_error(told, failures_told=15)


def test_the_error_of_rounding_is_added():
    # 0.25 rounded to steps of 0.5 errs by 0.5 / sqrt(12) = 0.144, together 0.289, in steps of 0.1.
    assert rounded_error(0.25, step=0.5, failures_told=15) == 0.3
    assert rounded_error(0.25, step=0.9, failures_told=15) == 0.4  # 0.36
    # Behind 100 stand 96 at least: five of them move 0.25 by 0.0065.
    assert rounded_error(0.25, step=0.0, failures_told=150) == 0.25


@pytest.mark.parametrize(
    ("value", "may"),
    [(0.25, True), (0.35, False), (0.27, False), (0.06, True), (0.07, False), (60.0, True), (61.0, False)],
)
def test_an_error_finer_than_five_failures_is_none_of_ours(value, may):
    assert is_rounded_error(value, failures_told=15) is may


@pytest.mark.parametrize(
    ("value", "may"),
    [(None, True), (10, True), (15, True), (5, False), (0, False), (16, False), (15.0, False), (True, False)],
)
def test_what_a_rounded_count_is(value, may):
    assert is_rounded(value) is may


def test_the_fewest_behind_a_count():
    assert [fewest_behind(n) for n in (15, 20, 1000)] == [11, 16, 996]


def test_what_is_left_out_counts_as_hidden():
    assert plain_gate().table("ab", [7, 40], left_out=[3]) == [None, None]
    assert plain_gate().table("ab", [7, 40], left_out=[4]) == [None, 40]
    assert plain_gate().table("a", [40], left_out=[4]) == [None]
    assert plain_gate().table("", []) == []


def test_many_of_a_few_patients_are_no_others_to_hide_among():
    assert plain_gate().table("ab", [40, 30], [40, 10]) == [None, None]
    assert plain_gate().table("ab", [40, 30], [40, 11]) == [40, None]
    assert plain_gate().table("a", [40], left_out=[300]) == [None]


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


def test_a_part_is_hidden_beside_its_whole_whether_a_few_lie_between_or_none():
    """Hidden only where a few lie between, it said that they did."""
    told = []
    for lost in (40, 39, 30, 20):
        gate = Gate(Rounding(b"x"), beside={("failures", "lost"): 40})
        told.append(gate.failures(lost, group="lost") is not None)
        assert gate.failures(lost, group="another") is not None
    assert told == [False, False, False, True]
