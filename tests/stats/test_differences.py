import math

import numpy as np
import polars as pl
import pytest
from curve_reference import CURVES, ERRORS, dataset

from pipeline.stats.differences import Group, survival_difference
from pipeline.stats.kaplan_meier import kaplan_meier


def arms(name: str, by: str, exit_days: str, event: pl.Expr, **optional: str) -> list[Group]:
    rows = dataset(name).with_columns(event_=event)
    return [
        Group(part[exit_days], part["event_"], **{key: part[column] for key, column in optional.items()})
        for part in (rows.filter(pl.col(by) == level) for level in sorted(rows[by].unique()))
    ]


SIM = {"name": "sim", "by": "grp", "exit_days": "stop", "event": pl.col("ev") == 1}


def test_error_at_fixed_days_is_that_of_the_step_function():
    """The test of [1] on the log(-log) scale, 6-MP against control: 5.231, 9.054 and 11.197 at 10, 14 and 18.

    A variance drawn straight between the failures, as lifelines has it, gives 4.738, 7.735 and 10.393.

    [1] Klein JP, et al. Analyzing survival curves at a fixed point in time. Stat Med 2007;26:4505-4519.
    """
    treated, control = arms("gehan", "treat", "time", pl.col("cens"))
    days = [10, 14, 18]
    points = [kaplan_meier(g.exit_days, g.event).at(days) for g in (treated, control)]
    scaled = [np.log(-np.log(p.survival)) for p in points]
    variance = sum((p.std_error / (p.survival * np.log(p.survival))) ** 2 for p in points)
    assert ((scaled[0] - scaled[1]) ** 2 / variance).round(3).tolist() == [5.231, 9.054, 11.197]
    found = survival_difference(treated, control, days)
    assert found.estimate == pytest.approx(points[0].survival - points[1].survival, abs=CURVES)
    assert found.std_error**2 == pytest.approx(points[0].std_error ** 2 + points[1].std_error ** 2, abs=ERRORS)


def test_difference_by_hand():
    # Group: 4 teeth, one lost on day 5. Reference: 2 teeth, one lost on day 5. Variances 3/64 and 1/8.
    found = survival_difference(Group([5, 9, 9, 9], [1, 0, 0, 0]), Group([5, 9], [1, 0]), [5, 10])
    assert found.estimate[0] == pytest.approx(1 / 4)
    assert found.std_error[0] ** 2 == pytest.approx(3 / 64 + 1 / 8)
    assert np.isnan(found.estimate[1])  # nothing is followed after day 9


def test_patients_in_both_groups_by_hand():
    # Each patient has one tooth in each group and loses both or neither: the difference is 0 for certain.
    patients = ["A", "B", "C", "D"]
    one = Group([5, 9, 9, 9], [1, 0, 0, 0], cluster=patients)
    assert survival_difference(one, one, [5]).covariance[0] == pytest.approx(3 / 64)
    # Patients A and B swap fates: the covariance turns negative and the error grows beyond that of strangers.
    other = Group([9, 5, 9, 9], [0, 1, 0, 0], cluster=patients)
    swapped = survival_difference(one, other, [5])
    # Pulls of patients A to D: (-3, 1, 1, 1)/16 and (1, -3, 1, 1)/16.
    assert swapped.covariance[0] == pytest.approx((-3 - 3 + 1 + 1) / 256)
    assert swapped.std_error[0] ** 2 == pytest.approx(2 * 3 / 64 + 2 * 4 / 256)


def test_variance_is_the_sum_of_both_less_twice_the_covariance():
    one, other = arms(**SIM, entry_days="start", cluster="pid")[::-1]
    days = 365 * np.arange(1, 11)
    found = survival_difference(one, other, days)
    errors = [
        kaplan_meier(g.exit_days, g.event, entry_days=g.entry_days, cluster=g.cluster).at(days).std_error
        for g in (one, other)
    ]
    assert found.std_error**2 == pytest.approx(errors[0] ** 2 + errors[1] ** 2 - 2 * found.covariance, abs=1e-14)
    assert (found.covariance != 0).all()


def test_no_failure_in_either_group_has_no_error():
    found = survival_difference(Group([9, 9], [0, 0]), Group([9, 9], [0, 0]), [5])
    assert found.estimate[0] == 0
    assert np.isnan([found.std_error[0], found.low[0], found.p[0]]).all()


def test_clusters_in_one_group_only_are_refused():
    with pytest.raises(ValueError, match="both groups"):
        survival_difference(Group([9], [0], cluster=["A"]), Group([9], [0]), [5])


def test_difference_from_a_day():
    one, other = arms(**SIM, entry_days="start", cluster="pid")[::-1]
    whole = [kaplan_meier(g.exit_days, g.event, entry_days=g.entry_days, from_day=730).at([1825]) for g in (one, other)]
    found = survival_difference(one, other, [365, 1825], from_day=730)
    assert np.isnan(found.estimate[0])
    assert found.estimate[1] == pytest.approx(whole[0].survival[0] - whole[1].survival[0], abs=CURVES)


def test_limits_and_p_by_hand():
    # The difference of 1/4 between 3/4 and 1/2 has a variance of 3/64 + 1/8; the reference is the other way round.
    one, other = Group([5, 9, 9, 9], [1, 0, 0, 0]), Group([5, 9], [1, 0])
    for found, sign in ((survival_difference(one, other, [5]), 1), (survival_difference(other, one, [5]), -1)):
        error = np.sqrt(11 / 64)
        assert found.estimate[0] == pytest.approx(sign / 4)
        assert (found.low[0], found.high[0]) == pytest.approx(
            (sign / 4 - 1.959964 * error, sign / 4 + 1.959964 * error), rel=1e-6
        )
        assert found.p[0] == pytest.approx(math.erfc(1 / 4 / error / np.sqrt(2)))
        assert (found.covariance[0], found.confidence) == (0, 0.95)


def test_nothing_is_known_past_the_last_day_of_either_group():
    long, short = Group([5, 9, 9, 9], [1, 0, 0, 0]), Group([5, 7], [1, 0])
    for one, other in ((long, short), (short, long)):
        assert np.isnan(survival_difference(one, other, [4, 5, 7, 8, 9]).estimate).tolist() == [False] * 3 + [True] * 2
    # From day 5 on, what lies before it is not known; on it nothing has failed yet.
    found = survival_difference(long, short, [4, 5, 6], from_day=5)
    assert (np.isnan(found.estimate).tolist(), found.estimate[1:].tolist()) == ([True, False, False], [0, 0])
    # All of one group have failed: a share of 0 has no error.
    none_left = Group([5, 6], [1, 1])
    assert np.isnan(survival_difference(long, none_left, [5, 6]).estimate).tolist() == [False, True]
    assert np.isnan(survival_difference(none_left, long, [5, 6]).estimate).tolist() == [False, True]
