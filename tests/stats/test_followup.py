import math

import pytest

from pipeline.stats.followup import completeness

# Ten years possible in days of 100: a failure on 40, lost on 50, seen to the end on 100, died on 70.
EXIT, EVENT, POSSIBLE, DIED = [40, 50, 100, 70], [1, 0, 0, 0], [100, 100, 100, 100], [0, 0, 0, 1]


def test_completeness_by_hand():
    found = completeness(EXIT, EVENT, POSSIBLE, died=DIED)
    # Failed and dead rows could not have been followed longer: 40 + 50 + 100 + 70 of 40 + 100 + 100 + 70 days.
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
    with pytest.raises(ValueError, match=r"^exit_days must hold whole numbers"):
        completeness([50.5, 100], [0, 0], [100, 100])


def test_no_follow_up_at_all_has_no_completeness():
    assert math.isnan(completeness([0], [1], [100]).clarks_c)


def test_a_row_may_be_followed_on_its_possible_day_and_is_not_lost_then():
    found = completeness([100, 99], [0, 0], [100, 100])
    assert (found.lost, found.share_lost) == (1, 1 / 2)
