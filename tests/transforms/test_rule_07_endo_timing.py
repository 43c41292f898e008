"""Rule 7: where the root canal on a tooth falls relative to the seat of its crown, and the other ways to count it."""

from __future__ import annotations

import polars as pl
import pytest
from drawn import frame
from linking import assert_courses, assert_crowns, run
from polars.testing import assert_frame_equal

from pipeline.transforms.timing import nearest


@pytest.mark.parametrize("opening", ["PULP", "POTOMY", "GIVEUP", "ENDO"])
def test_the_first_row_that_opens_the_pulp_opens_the_crown(opening: str):
    # 16: by itself; 36: followed by a filling within the gap.
    linked = run(f"""
        service_date | tooth_fdi | code
        2015-01-01   | 16        | CROWN
        2016-05-05   | 16        | {opening}
        2015-01-01   | 36        | CROWN
        2016-05-05   | 36        | {opening}
        2016-06-05   | 36        | ENDO
        2018-01-01   |           | EXAM
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | endo_timing   | access_date | access_elsewhere | order_uncertain
        16        | through_crown | 2016-05-05  | false            | false
        36        | through_crown | 2016-05-05  | false            | false
    """,
    )


def test_a_course_begun_by_the_seat_and_completed_later_or_never_is_before_it_and_uncertain():
    # 16, 17: given up, and the pulp removed, before the seat and never filled. 26: on the day of the seat. 27: filled
    # after the seat. 36: completed on the day of the seat: certain.
    linked = run("""
        service_date | tooth_fdi | code
        2014-12-01   | 16        | GIVEUP
        2015-01-01   | 16        | CROWN
        2014-12-01   | 17        | PULP
        2015-01-01   | 17        | CROWN
        2015-01-01   | 26        | PULP
        2015-01-01   | 26        | CROWN
        2014-12-01   | 27        | PULP
        2015-01-01   | 27        | CROWN
        2015-01-15   | 27        | ENDO
        2014-12-01   | 36        | PULP
        2015-01-01   | 36        | ENDO
        2015-01-01   | 36        | CROWN
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | endo_timing | access_date | order_uncertain
        16        | before_seat |             | true
        17        | before_seat |             | true
        26        | before_seat |             | true
        27        | before_seat |             | true
        36        | before_seat |             | false
    """,
    )


def test_a_post_or_a_record_shows_a_root_canal_before_the_seat():
    # 16, 17: a post 180 and 181 days before the seat; 26: on the day. 27: recorded post, 36: recorded as none.
    # 37: recorded as root-filled. 46: a post before the seat, and a root canal through the crown: the label stays.
    linked = run(
        """
        service_date | tooth_fdi | code
        2014-07-05   | 16        | POST
        2015-01-01   | 16        | CROWN
        2014-07-04   | 17        | POST
        2015-01-01   | 17        | CROWN
        2015-01-01   | 26        | POST
        2015-01-01   | 26        | CROWN
        2015-01-01   | 27        | CROWN
        2015-01-01   | 36        | CROWN
        2015-01-01   | 37        | CROWN
        2014-12-01   | 46        | POST
        2015-01-01   | 46        | CROWN
        2017-01-01   | 46        | ENDO
        2018-01-01   |           | EXAM
        """,
        details="""
        tooth_fdi | seat_date  | post  | pulp_status_at_prep
        27        | 2015-01-01 | fiber |
        36        | 2015-01-01 | none  |
        37        | 2015-01-01 |       | root_filled
        """,
    )
    assert_crowns(
        linked,
        """
        tooth_fdi | endo_timing | access_date | reopened_date | order_uncertain
        16        | before_seat |             |               | false
        17        | vital       |             |               | false
        26        | before_seat |             |               | false
        27        | before_seat |             |               | false
        36        | vital       |             |               | false
        37        | before_seat |             |               | false
        46        | before_seat |             | 2017-01-01    | false
    """,
    )


def test_a_crown_that_has_ended_by_the_day_is_not_opened():
    # 11: taken off that day. 12: replaced that day: the root canal is before the new seat. 13: taken off the day after,
    # so it was opened. 14: found missing, and root-filled afterwards.
    linked = run(
        """
        service_date | tooth_fdi | code
        2015-01-01   | 11        | CROWN
        2016-01-01   | 11        | OFF
        2016-01-01   | 11        | ENDO
        2015-01-01   | 12        | CROWN
        2016-01-01   | 12        | ENDO
        2016-01-01   | 12        | CROWN
        2015-01-01   | 13        | CROWN
        2016-01-01   | 13        | ENDO
        2016-01-02   | 13        | OFF
        2015-01-01   | 14        | CROWN
        2016-06-01   | 14        | ENDO
        2018-01-01   |           | EXAM
        """,
        findings="""
        tooth_fdi | exam_date  | crown_in_place
        14        | 2016-01-01 | false
        """,
    )
    assert_crowns(
        linked,
        """
        tooth_fdi | seat_date  | endo_timing   | access_date | failure_cause | exit_date
        11        | 2015-01-01 | vital         |             | removed       | 2016-01-01
        12        | 2015-01-01 | vital         |             | replaced      | 2016-01-01
        12        | 2016-01-01 | before_seat   |             |               | 2018-01-01
        13        | 2015-01-01 | through_crown | 2016-01-01  | removed       | 2016-01-02
        14        | 2015-01-01 | vital         |             | removed       | 2015-07-02
    """,
    )
    assert_courses(
        linked,
        """
        tooth_fdi | crown_at_start
        11        | none
        12        | none
        13        | crowned
        14        | none
    """,
    )


def test_a_reopened_crown_keeps_its_label_and_one_way_ends_follow_up_there():
    ledger = """
        service_date | tooth_fdi | code
        2014-12-01   | 16        | ENDO
        2015-01-01   | 16        | CROWN
        2017-01-01   | 16        | REDO
        2019-01-01   | 16        | OUT
        2014-12-01   | 26        | ENDO
        2015-01-01   | 26        | CROWN
        2018-01-01   | 26        | OUT
        2020-01-01   |           | EXAM
    """
    assert_crowns(
        run(ledger),
        """
        tooth_fdi | endo_timing | access_date | reopened_date | failure_cause | exit_date  | exit_reason
        16        | before_seat |             | 2017-01-01    | extracted     | 2019-01-01 | failed
        26        | before_seat |             |               | extracted     | 2018-01-01 | failed
    """,
    )
    assert_crowns(
        run(ledger, reopening_ends=True),
        """
        tooth_fdi | endo_timing | reopened_date | failure | failure_cause | exit_date  | exit_reason  | loss_reason
        16        | before_seat | 2017-01-01    | false   |               | 2017-01-01 | last_contact |
        26        | before_seat |               | true    | extracted     | 2018-01-01 | failed       | unknown
    """,
    )


def test_renewed_after_opening_counts_from_the_completed_course_or_its_start():
    # 16: 120 days from the completed course; 17: 121. 26: never completed, 120 days from its start; 27: 121.
    # 36: a temporary crown ends the opened one, and the new one is seated in time. 37: taken off, not replaced.
    linked = run("""
        service_date | tooth_fdi | code
        2010-01-01   | 16        | CROWN
        2014-12-01   | 16        | PULP
        2015-01-01   | 16        | ENDO
        2015-05-01   | 16        | CROWN
        2010-01-01   | 17        | CROWN
        2014-12-01   | 17        | PULP
        2015-01-01   | 17        | ENDO
        2015-05-02   | 17        | CROWN
        2010-01-01   | 26        | CROWN
        2015-01-01   | 26        | PULP
        2015-05-01   | 26        | CROWN
        2010-01-01   | 27        | CROWN
        2015-01-01   | 27        | PULP
        2015-05-02   | 27        | CROWN
        2010-01-01   | 36        | CROWN
        2015-01-01   | 36        | ENDO
        2015-02-01   | 36        | TEMP
        2015-03-01   | 36        | CROWN
        2010-01-01   | 37        | CROWN
        2015-01-01   | 37        | ENDO
        2015-02-01   | 37        | OFF
        2020-01-01   |           | EXAM
    """)
    opened = linked.crowns.filter(pl.col("seat_date").dt.year() == 2010)
    wanted = frame("""
        tooth_fdi | endo_timing   | access_date | failure_cause | exit_date  | renewed_after_opening
        16        | through_crown | 2014-12-01  | replaced      | 2015-05-01 | true
        17        | through_crown | 2014-12-01  | replaced      | 2015-05-02 | false
        26        | through_crown | 2015-01-01  | replaced      | 2015-05-01 | true
        27        | through_crown | 2015-01-01  | replaced      | 2015-05-02 | false
        36        | through_crown | 2015-01-01  | replaced      | 2015-02-01 | true
        37        | through_crown | 2015-01-01  | removed       | 2015-02-01 | false
    """)
    assert_frame_equal(opened.select(wanted.columns), wanted)


PLANNED = """
        service_date | tooth_fdi | code  | status
        2015-01-01   | 16        | CROWN |
        2018-12-02   | 16        | CROWN | planned
        2019-01-01   | 16        | ENDO  |
        2019-03-01   | 16        | CROWN |
        2015-01-01   | 17        | CROWN |
        2018-12-01   | 17        | CROWN | planned
        2019-01-01   | 17        | ENDO  |
        2019-03-01   | 17        | CROWN |
        2015-01-01   | 26        | CROWN |
        2019-01-01   | 26        | CROWN | planned
        2019-01-01   | 26        | ENDO  |
        2015-01-01   | 27        | CROWN |
        2019-01-02   | 27        | CROWN | planned
        2019-01-01   | 27        | ENDO  |
        2020-01-01   |           | EXAM  |
"""


def test_a_crown_planned_in_the_thirty_days_before_the_opening_ends_follow_up_there_in_one_way():
    # 16: planned 30 days before; 17: 31; 26: that day, though never made; 27: the day after.
    assert_crowns(
        run(PLANNED),
        """
        tooth_fdi | seat_date  | endo_timing   | access_date | failure_cause | exit_date  | renewed_after_opening
        16        | 2015-01-01 | through_crown | 2019-01-01  | replaced      | 2019-03-01 | true
        16        | 2019-03-01 | before_seat   |             |               | 2020-01-01 | false
        17        | 2015-01-01 | through_crown | 2019-01-01  | replaced      | 2019-03-01 | true
        17        | 2019-03-01 | before_seat   |             |               | 2020-01-01 | false
        26        | 2015-01-01 | through_crown | 2019-01-01  |               | 2020-01-01 | false
        27        | 2015-01-01 | through_crown | 2019-01-01  |               | 2020-01-01 | false
    """,
    )
    assert_crowns(
        run(PLANNED, planned_ends=True),
        """
        tooth_fdi | seat_date  | endo_timing   | access_date | failure | failure_cause | exit_date  | exit_reason  | renewed_after_opening
        16        | 2015-01-01 | vital         |             | false   |               | 2019-01-01 | last_contact | false
        16        | 2019-03-01 | before_seat   |             | false   |               | 2020-01-01 | cutoff       | false
        17        | 2015-01-01 | through_crown | 2019-01-01  | true    | replaced      | 2019-03-01 | failed       | true
        17        | 2019-03-01 | before_seat   |             | false   |               | 2020-01-01 | cutoff       | false
        26        | 2015-01-01 | vital         |             | false   |               | 2019-01-01 | last_contact | false
        27        | 2015-01-01 | through_crown | 2019-01-01  | false   |               | 2020-01-01 | cutoff       | false
    """,
    )


def test_only_a_plan_is_one():
    # 16: seated 19 days before its opening. 17: a plan that was struck out.
    ledger = """
        service_date | tooth_fdi | code  | status
        2019-01-01   | 16        | CROWN |
        2019-01-20   | 16        | ENDO  |
        2015-01-01   | 17        | CROWN |
        2018-12-20   | 17        | CROWN | void
        2019-01-01   | 17        | ENDO  |
        2020-01-01   |           | EXAM  |
    """
    ended = run(ledger, planned_ends=True)
    assert_frame_equal(ended.crowns, run(ledger).crowns)
    assert ended.crowns["endo_timing"].to_list() == ["through_crown", "through_crown"]


@pytest.mark.parametrize(
    ("strategy", "same_day", "found"),
    [
        ("backward", True, [1, None, 2, None, None]),
        ("backward", False, [1, None, 1, None, None]),
        ("forward", True, [2, None, 2, None, None]),
    ],
)
def test_the_nearest_row_of_a_tooth_one_for_each(strategy, same_day, found):
    # A row without a date, before the first, on a day with a row, of another tooth and of a tooth without any.
    left = frame("""
        patient_id | tooth_fdi | seen_date
        p1         | 16        | 2015-01-01
        p1         | 16        |
        p1         | 16        | 2016-01-01
        p1         | 26        | 2016-01-01
        p2         | 16        | 2016-01-01
    """)
    right = frame("""
        patient_id | tooth_fdi | seen       | number
        p1         | 16        | 2014-01-01 | 1
        p1         | 16        | 2016-01-01 | 2
        p1         | 16        |            | 3
        p1         | 26        | 2017-01-01 | 4
    """)
    if strategy == "forward":
        found = [*found[:3], 4, None]
    got = nearest(left, right, left_on="seen_date", right_on="seen", strategy=strategy, same_day=same_day)
    rows = {tuple(row[:3]): row[3] for row in got.select("patient_id", "tooth_fdi", "seen_date", "number").rows()}
    assert got.height == left.height
    assert [rows[row] for row in left.rows()] == found
