import math

import numpy as np
import pytest

from pipeline.stats.followup import completeness, drop_out_extremes
from pipeline.stats.kaplan_meier import kaplan_meier

# Ten years possible in days of 100: a failure on 40, lost on 50, seen to the end on 100, died on 70.
EXIT, EVENT, POSSIBLE, DIED = [40, 50, 100, 70], [1, 0, 0, 0], [100, 100, 100, 100], [0, 0, 0, 1]


def test_completeness_by_hand():
    found = completeness(EXIT, EVENT, POSSIBLE, died=DIED)
    # Failed and dead rows could not have been followed longer: 40 + 50 + 100 + 70 of 40 + 100 + 100 + 70 days.
    assert (found.days_observed, found.days_possible) == (260, 310)
    assert found.clarks_c == pytest.approx(26 / 31)
    assert (found.rows, found.lost, found.share_lost) == (4, 1, 1 / 4)
    # Without word of the death it counts as lost.
    assert completeness(EXIT, EVENT, POSSIBLE).clarks_c == pytest.approx(260 / 340)
    assert completeness(EXIT, EVENT, POSSIBLE).lost == 2


def test_median_is_the_curve_of_endings_with_failures_as_endings():
    found = completeness(EXIT, EVENT, POSSIBLE)
    # Of three still followed one ends on day 50, of two one on day 70: 2/3, then 1/3.
    assert found.median_days.days == 70


def test_late_entry_does_not_count_as_observed():
    found = completeness([50, 100], [0, 0], [100, 100], entry_days=[20, 0])
    assert found.clarks_c == pytest.approx((30 + 100) / (80 + 100))


def test_rows_past_the_possible_day_are_refused():
    with pytest.raises(ValueError, match="1 of 2 rows are followed past"):
        completeness([50, 101], [0, 0], [100, 100])


def test_no_follow_up_at_all_has_no_completeness():
    assert math.isnan(completeness([0], [1], [100]).clarks_c)


def test_extremes_by_hand():
    found = drop_out_extremes(EXIT, EVENT, POSSIBLE, 80, died=DIED)
    days = [80]
    # Observed: 3/4. The lost row failing on day 50: 3/4 * 2/3. Followed to day 80 it changes nothing here.
    assert found.n_lost == 1
    assert found.observed.at(days).survival[0] == pytest.approx(3 / 4)
    assert found.lost_fail.at(days).survival[0] == pytest.approx(1 / 2)
    assert found.lost_last.at(days).survival[0] == pytest.approx(3 / 4)
    # Without word of the death there are two lost: 3/4 * 2/3 * 1/2.
    assert drop_out_extremes(EXIT, EVENT, POSSIBLE, 80).lost_fail.at(days).survival[0] == pytest.approx(1 / 4)


def test_the_observed_curve_lies_between_the_extremes():
    rng = np.random.default_rng(4)
    possible = rng.integers(500, 2000, 300)
    leaves = np.minimum(rng.integers(1, 2000, 300), possible)
    event = rng.random(300) < 0.4
    found = drop_out_extremes(leaves, event, possible, 1500)
    days = np.arange(1, 1400, 50)
    low, middle, high = (c.at(days).survival for c in (found.lost_fail, found.observed, found.lost_last))
    assert (low <= middle + 1e-12).all()
    assert (middle <= high + 1e-12).all()
    assert middle.tolist() == kaplan_meier(leaves, event).at(days).survival.tolist()


def test_extremes_from_day_0_on_with_the_usual_limits():
    # One of three fails on day 1; the third is lost on the horizon's day, which is no loss before it.
    found = drop_out_extremes([1, 50, 80], [1, 0, 0], [100] * 3, 80)
    assert found.n_lost == 1
    plain = kaplan_meier([1, 50, 80], [1, 0, 0])
    assert found.observed.survival.tolist() == plain.survival.tolist()
    assert found.observed.low.tolist() == plain.low.tolist()
    # The lost row is followed to the horizon, or to the day that was possible if that comes first.
    assert found.lost_last.time.tolist() == [1, 80]
    assert drop_out_extremes([1, 50, 80], [1, 0, 0], [100, 60, 100], 80).lost_last.time.tolist() == [1, 60, 80]
    # Failures up to the day from which it is asked are dropped, before either extreme is taken.
    late = drop_out_extremes([1, 50, 80], [1, 0, 0], [100] * 3, 80, from_day=1)
    assert late.observed.at([80]).survival[0] == 1
    assert late.lost_fail.at([80]).survival[0] == 1 / 2


def test_a_row_may_be_followed_on_its_possible_day_and_is_not_lost_then():
    found = completeness([100, 99], [0, 0], [100, 100])
    assert (found.lost, found.share_lost) == (1, 1 / 2)
    assert drop_out_extremes([100, 99], [0, 0], [100, 100], 100).n_lost == 1
