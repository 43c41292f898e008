"""Two curves at one day, where few failed: the range holds the truth, and p agrees with the range."""

import numpy as np
import pytest

from pipeline.stats.careful_difference import careful_difference
from pipeline.stats.differences import Group, survival_difference

DAY = 365


def group(failed: list[int], alive: int, *, first: int = 0) -> Group:
    """One tooth a patient: some fail on given days, the others are followed for two years."""
    n = len(failed) + alive
    days = np.array([*failed, *[730] * alive])
    return Group(days, np.arange(n) < len(failed), cluster=np.arange(first, first + n))


def test_the_difference_is_that_of_the_shares_failed():
    found = careful_difference(group([10, 20, 30], 7), group([40], 9, first=100), DAY)
    assert found is not None
    assert found.estimate == pytest.approx(3 / 10 - 1 / 10)
    assert found.low < 0 < found.high


def test_p_is_what_the_range_says():
    one, other = group([*range(10, 40)], 70), group([*range(10, 22)], 88, first=1000)
    found = careful_difference(one, other, DAY)
    assert found is not None
    assert 0 < found.p < 1
    touching = careful_difference(one, other, DAY, confidence=1 - found.p)
    assert touching is not None
    assert min(abs(touching.low), abs(touching.high)) == pytest.approx(0, abs=1e-6)
    assert (found.p < 0.05) == (found.low > 0)


def test_the_two_sides_may_be_turned():
    one, other = group([10, 20, 30, 40], 26), group([15, 25], 48, first=1000)
    there, back = careful_difference(one, other, DAY), careful_difference(other, one, DAY)
    assert there is not None
    assert back is not None
    assert (back.estimate, back.low, back.high) == pytest.approx((-there.estimate, -there.high, -there.low))
    assert back.p == pytest.approx(there.p)


def test_with_many_failures_it_is_the_plain_range():
    one, other = group([*range(1, 301)], 700), group([*range(1, 201)], 800, first=5000)
    plain = survival_difference(one, other, [DAY])
    found = careful_difference(one, other, DAY)
    assert found is not None
    assert -found.high == pytest.approx(float(plain.low[0]), abs=0.002)
    assert -found.low == pytest.approx(float(plain.high[0]), abs=0.002)


def test_teeth_of_one_patient_that_fail_together_widen_the_range():
    days, event = np.array([100] * 20 + [730] * 80), np.arange(100) < 20
    other = group([*range(10, 20)], 90, first=1000)
    apart = careful_difference(Group(days, event, cluster=np.arange(100)), other, DAY)
    alike = careful_difference(Group(days, event, cluster=np.arange(100) // 4), other, DAY)
    assert apart is not None
    assert alike is not None
    assert alike.high - alike.low > 1.3 * (apart.high - apart.low)


def test_nothing_is_said_where_nobody_failed_or_a_curve_ends():
    assert careful_difference(group([], 10), group([], 9, first=100), DAY) is None
    assert careful_difference(group([10], 9), group([20], 9, first=100), 3000) is None


def test_where_few_failed_the_limits_are_those_of_the_counts():
    """Two of 780 against fourteen of 792: Garwood's limits of 2 are 0.2422 and 7.2247, of 14 7.6539 and 23.4898 (his
    table), each as a share of what failed, and put together as errors of a difference are."""
    one, other = group([100, 200], 778), group([*range(10, 150, 10)], 778, first=5000)
    found = careful_difference(one, other, DAY)
    assert found is not None
    share = [2 / 780, 14 / 792]
    limits = [[-np.expm1(np.log1p(-p) * x / k) for x in ends]
              for p, k, ends in zip(share, (2, 14), ((0.2422, 7.2247), (7.6539, 23.4898)), strict=True)]  # fmt: skip
    reach = (
        np.hypot(share[0] - limits[0][0], limits[1][1] - share[1]),
        np.hypot(limits[0][1] - share[0], share[1] - limits[1][0]),
    )
    assert (found.low, found.high) == pytest.approx(
        (share[0] - share[1] - reach[0], share[0] - share[1] + reach[1]), abs=1e-5
    )
    assert found.high < 0
    assert 0.002 < found.p < 0.02  # Fisher's exact test: 0.0040


def test_none_failed_on_one_side():
    """The limit of none among n is 1 - 0.025 ** (1 / n); teeth of one patient count once."""
    none = Group(np.full(200, 730), np.zeros(200, bool), cluster=np.arange(200) // 2)
    other = group([*range(10, 130, 10)], 108, first=1000)
    found = careful_difference(none, other, DAY)
    assert found is not None
    assert found.estimate == pytest.approx(-0.1)
    low = 0.1 + np.expm1(np.log1p(-0.1) * 6.2006 / 12)  # of 12 the lower limit is 6.2006
    assert found.high == pytest.approx(-0.1 + np.hypot(1 - 0.025 ** (1 / 100), low), abs=1e-5)
    assert careful_difference(none, Group(np.full(9, 730), np.zeros(9, bool), cluster=np.arange(9)), DAY) is None
