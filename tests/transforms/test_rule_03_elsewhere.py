"""Rule 3: what others did, charted as existing or told in the table `elsewhere`; dated, undated, or to a year."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest
from linking import assert_courses, assert_crowns, run


def test_work_charted_again_says_nothing_new():
    # p1: our crown charted again on a visit, by another code; p2: without a date; p3: on a day when the patient was not
    # here, so others replaced it that day. p4, p5: our root canal likewise; p6: charted as a repeat.
    linked = run("""
        patient_id | service_date | tooth_fdi | code  | status
        p1         | 2015-01-01   | 16        | CROWN |
        p1         | 2018-01-01   | 16        | CERAM | existing
        p1         | 2018-01-01   |           | EXAM  |
        p2         | 2015-01-01   | 16        | CROWN |
        p2         |              | 16        | ONLAY | existing
        p2         | 2018-01-01   |           | EXAM  |
        p3         | 2015-01-01   | 16        | CROWN |
        p3         | 2017-01-01   | 16        | CERAM | existing
        p3         | 2018-01-01   |           | EXAM  |
        p4         | 2015-01-01   | 16        | CROWN |
        p4         | 2016-01-01   | 16        | ENDO  |
        p4         |              | 16        | ENDO  | existing
        p4         | 2018-01-01   |           | EXAM  |
        p5         | 2015-01-01   | 16        | CROWN |
        p5         | 2016-01-01   | 16        | ENDO  |
        p5         | 2016-01-01   | 16        | ENDO  | existing
        p5         | 2018-01-01   |           | EXAM  |
        p6         | 2014-01-01   | 16        | ENDO  |
        p6         | 2015-01-01   | 16        | CROWN |
        p6         | 2018-01-01   | 16        | REDO  | existing
        p6         | 2018-01-01   |           | EXAM  |
    """)
    assert_crowns(
        linked,
        """
        patient_id | seat_date  | endo_timing   | access_date | order_uncertain | failure_cause | failure_elsewhere | exit_date  | done_elsewhere
        p1         | 2015-01-01 | vital         |             | false           |               | false             | 2018-01-01 | false
        p2         | 2015-01-01 | vital         |             | false           |               | false             | 2018-01-01 | false
        p3         | 2015-01-01 | vital         |             | false           | replaced      | true              | 2017-01-01 | false
        p3         | 2017-01-01 | vital         |             | false           |               | false             | 2018-01-01 | true
        p4         | 2015-01-01 | through_crown | 2016-01-01  | false           |               | false             | 2018-01-01 | false
        p5         | 2015-01-01 | through_crown | 2016-01-01  | false           |               | false             | 2018-01-01 | false
        p6         | 2015-01-01 | before_seat   |             | false           |               | false             | 2018-01-01 | false
    """,
    )
    assert_courses(
        linked,
        """
        patient_id | started    | kind    | failure | done_elsewhere
        p4         | 2016-01-01 | initial | false   | false
        p5         | 2016-01-01 | initial | false   | false
        p6         | 2014-01-01 | initial | false   | false
    """,
    )
    assert linked.counts["root_canals_elsewhere_undated"] == 0


def test_a_root_canal_charted_before_ours_is_news():
    # Charted on the first visit, then done here: a repeat, and root-filled before the seat.
    linked = run("""
        service_date | tooth_fdi | code  | status
        2014-01-01   |           | EXAM  |
        2014-01-01   | 16        | ENDO  | existing
        2015-01-01   | 16        | ENDO  |
        2015-03-01   | 16        | CROWN |
    """)
    assert_courses(
        linked,
        """
        started    | kind        | coded_as_initial
        2015-01-01 | retreatment | true
    """,
    )
    assert linked.crowns["endo_timing"].to_list() == ["before_seat"]


DATED_EXISTING = """
        patient_id | service_date | tooth_fdi | code  | status
        p1         | 2015-01-01   | 16        | CROWN |
        p1         | 2014-06-01   | 16        | ENDO  | existing
        p2         | 2015-01-01   | 16        | CROWN |
        p2         | 2017-06-01   | 16        | ENDO  | existing
        p3         | 2014-12-01   | 16        | ENDO  |
        p3         | 2015-01-01   | 16        | CROWN |
        p3         | 2017-06-01   | 16        | REDO  | existing
        p4         | 2015-01-01   | 16        | CROWN |
        p4         | 2017-06-01   | 16        | CROWN | existing
        p5         | 2015-01-01   | 16        | CROWN |
        p5         | 2017-06-01   | 16        | OFF   | existing
        p6         | 2015-01-01   | 16        | CROWN |
        p6         | 2017-06-01   | 16        | OUT   | existing
        p7         | 2014-12-01   | 16        | ENDO  |
        p7         | 2015-01-01   | 16        | CROWN |
        p7         | 2017-06-01   | 16        | APICO | existing
"""
EXAMS = "\n".join(f"        p{n}         | 2020-01-01   |           | EXAM  |" for n in range(1, 8))
TOLD = """
        patient_id | tooth_fdi | event         | event_date
        p1         | 16        | root_canal    | 2014-06-01
        p2         | 16        | root_canal    | 2017-06-01
        p3         | 16        | retreatment   | 2017-06-01
        p4         | 16        | crown         | 2017-06-01
        p5         | 16        | crown_removed | 2017-06-01
        p6         | 16        | extraction    | 2017-06-01
        p7         | 16        | surgery       | 2017-06-01
"""


@pytest.mark.parametrize("told", [False, True])
def test_a_date_on_which_the_patient_was_not_here_is_the_day_of_the_event(told: bool):
    rows = [r for r in DATED_EXISTING.rstrip().splitlines() if not (told and r.endswith("existing"))]
    linked = run("\n".join(rows) + "\n" + EXAMS, elsewhere=TOLD if told else "")
    assert_crowns(
        linked,
        """
        patient_id | endo_timing   | access_date | access_elsewhere | reopened_date | failure_cause | failure_elsewhere | exit_date  | done_elsewhere
        p1         | before_seat   |             | false            |               |               | false             | 2020-01-01 | false
        p2         | through_crown | 2017-06-01  | true             |               |               | false             | 2020-01-01 | false
        p3         | before_seat   |             | false            | 2017-06-01    |               | false             | 2020-01-01 | false
        p4         | vital         |             | false            |               | replaced      | true              | 2017-06-01 | false
        p4         | vital         |             | false            |               |               | false             | 2020-01-01 | true
        p5         | vital         |             | false            |               | removed       | true              | 2017-06-01 | false
        p6         | vital         |             | false            |               | extracted     | true              | 2017-06-01 | false
        p7         | before_seat   |             | false            |               |               | false             | 2020-01-01 | false
    """,
    )
    assert_courses(
        linked,
        """
        patient_id | started    | kind        | done_elsewhere | failure_cause | failure_elsewhere | exit_date
        p1         | 2014-06-01 | initial     | true           |               | false             | 2020-01-01
        p2         | 2017-06-01 | initial     | true           |               | false             | 2020-01-01
        p3         | 2014-12-01 | initial     | false          | retreatment   | true              | 2017-06-01
        p3         | 2017-06-01 | retreatment | true           |               | false             | 2020-01-01
        p7         | 2014-12-01 | initial     | false          | surgery       | true              | 2017-06-01
    """,
    )
    # In none of the practice's own figures.
    assert linked.counts["crowns"] == 7
    assert linked.counts["endo_courses"] == 2


@pytest.mark.parametrize("told", [False, True])
def test_a_date_on_which_the_patient_was_here_means_on_or_before_it(told: bool):
    # p1: charted on a visit before the seat; p2: on the day of the seat; p3: on a visit after it, so it may have been
    # done before or after. p4: an extraction charted on a visit lies between that day and the last examination.
    existing = """
        p1         | 2014-01-01   | 16        | ENDO  | existing
        p2         | 2015-01-01   | 16        | ENDO  | existing
        p3         | 2017-01-01   | 16        | ENDO  | existing
        p4         | 2017-01-01   | 16        | OUT   | existing
    """
    elsewhere = """
        patient_id | tooth_fdi | event      | event_date
        p1         | 16        | root_canal | 2014-01-01
        p2         | 16        | root_canal | 2015-01-01
        p3         | 16        | root_canal | 2017-01-01
        p4         | 16        | extraction | 2017-01-01
    """
    linked = run(
        """
        patient_id | service_date | tooth_fdi | code  | status
        p1         | 2014-01-01   |           | EXAM  |
        p1         | 2015-01-01   | 16        | CROWN |
        p2         | 2015-01-01   | 16        | CROWN |
        p3         | 2015-01-01   | 16        | CROWN |
        p3         | 2017-01-01   |           | EXAM  |
        p4         | 2015-01-01   | 16        | CROWN |
        p4         | 2016-01-01   |           | EXAM  |
        p4         | 2017-01-01   |           | EXAM  |
        """
        + ("" if told else existing),
        elsewhere=elsewhere if told else "",
    )
    # 366 days from 2016-01-01 to 2017-01-01; the middle is 183 days after the former.
    assert_crowns(
        linked,
        """
        patient_id | endo_timing | access_date | order_uncertain | failure_cause | exit_date  | failure_elsewhere | loss_interval_days
        p1         | before_seat |             | false           |               | 2015-01-01 | false             |
        p2         | before_seat |             | false           |               | 2015-01-01 | false             |
        p3         |             |             | true            |               | 2017-01-01 | false             |
        p4         | vital       |             | false           | extracted     | 2016-07-02 | true              | 366
    """,
    )


def test_a_day_that_is_told_beside_its_year_is_a_day():
    linked = run(
        """
        service_date | tooth_fdi | code
        2015-03-01   | 16        | CROWN
        2020-01-01   |           | EXAM
        """,
        elsewhere="""
        tooth_fdi | event      | event_date | event_year
        16        | root_canal | 2015-02-01 | 2015
        """,
    )
    assert_crowns(linked, "endo_timing | order_uncertain\nbefore_seat | false")


def test_what_others_did_after_the_cut_off_is_not_told():
    # A post shows a root canal by its day: on the cut-off day, and the day after it.
    linked = run(
        """
        service_date | tooth_fdi | code  | status
        2015-01-01   | 16        | CROWN |
        2017-01-01   | 16        | POST  | existing
        2015-01-01   | 26        | CROWN |
        2017-01-02   | 26        | POST  | existing
        2017-01-01   |           | EXAM  |
        2018-01-01   |           | EXAM  |
        """,
        data_cutoff=dt.date(2017, 1, 1),
    )
    assert linked.crowns.select("tooth_fdi", "endo_timing").rows() == [(16, None), (26, "vital")]


def test_a_root_canal_charted_by_mistake_is_denied_and_one_seen_on_a_visit_is_not():
    linked = run(
        """
        service_date | tooth_fdi | code  | status
        2015-01-01   | 16        | CROWN |
                     | 16        | ENDO  | existing
        2015-01-01   | 26        | CROWN |
        2017-01-01   | 26        | ENDO  | existing
        2015-01-01   | 36        | CROWN |
                     | 36        | ENDO  | existing
        2017-01-01   |           | EXAM  |
        2020-01-01   |           | EXAM  |
        """,
        elsewhere="""
        tooth_fdi | event
        16        | nothing
        26        | nothing
        """,
    )
    assert linked.crowns.select("tooth_fdi", "endo_timing").rows() == [(16, "vital"), (26, None), (36, None)]


def test_a_crown_of_others_from_the_day_of_an_implant_on_is_that_of_the_implant():
    linked = run("""
        service_date | tooth_fdi | code  | status
        2016-01-01   | 16        | IMPL  |
        2016-01-01   | 16        | CROWN | existing
        2016-01-01   | 26        | IMPL  |
        2015-12-31   | 26        | CROWN | existing
        2020-01-01   |           | EXAM  |
    """)
    assert linked.crowns["tooth_fdi"].to_list() == [26]


def test_a_first_and_a_repeat_treatment_of_others_on_one_day_are_a_repeat():
    linked = run("""
        service_date | tooth_fdi | code  | status
        2014-06-01   | 16        | ENDO  | existing
        2014-06-01   | 16        | REDO  | existing
        2014-01-01   |           | EXAM  |
        2020-01-01   |           | EXAM  |
    """)
    assert_courses(linked, "started | kind | done_elsewhere\n2014-06-01 | retreatment | true")


UNDATED = """
        service_date | tooth_fdi | code  | status
        2015-01-01   | 16        | CROWN |
                     | 16        | ENDO  | existing
        2020-01-01   |           | EXAM  |
"""


def test_an_undated_root_canal_elsewhere_is_in_neither_group_and_both_ways_stand_beside():
    for ledger, elsewhere in (
        (UNDATED, ""),
        (UNDATED.replace("existing", "void"), "tooth_fdi | event      | event_date\n16 | root_canal |"),
    ):
        main = run(ledger, elsewhere=elsewhere)
        assert_crowns(
            main,
            """
            endo_timing | access_date | access_elsewhere | order_uncertain | failure | exit_date
                        |             | false            | true            | false   | 2020-01-01
        """,
        )
        assert main.endo_courses.is_empty()
        before = run(ledger, elsewhere=elsewhere, undated_endo="before_seat")
        assert_crowns(
            before,
            """
            endo_timing | access_date | access_elsewhere | order_uncertain | exit_date
            before_seat |             | false            | true            | 2020-01-01
        """,
        )
        # 1826 days in place; opened in the middle, 913 days after the seat.
        through = run(ledger, elsewhere=elsewhere, undated_endo="through_crown")
        assert_crowns(
            through,
            """
            endo_timing   | access_date | access_elsewhere | order_uncertain | exit_date
            through_crown | 2017-07-02  | true             | true            | 2020-01-01
        """,
        )


@pytest.mark.parametrize("way", [None, "before_seat", "through_crown"])
def test_a_way_for_unknown_orders_moves_no_other_crown(way: str | None):
    # 16: the order is unknown. 26: vital. 36: opened here. 46: treated before the seat.
    linked = run(
        """
        service_date | tooth_fdi | code  | status
        2015-01-01   | 16        | CROWN |
                     | 16        | ENDO  | existing
        2015-01-01   | 26        | CROWN |
        2015-01-01   | 36        | CROWN |
        2016-01-01   | 36        | ENDO  |
        2014-01-01   | 46        | ENDO  |
        2015-01-01   | 46        | CROWN |
        2020-01-01   |           | EXAM  |
    """,
        **({"undated_endo": way} if way else {}),
    )
    assert linked.crowns.select("tooth_fdi", "endo_timing").rows() == [
        (16, way),
        (26, "vital"),
        (36, "through_crown"),
        (46, "before_seat"),
    ]


def test_a_year_alone_is_over_on_the_first_day_of_the_next():
    # 16: seated on the last day of the year in which others treated it. 26: on the first of the next.
    linked = run(
        """
        service_date | tooth_fdi | code  | status
        2014-12-31   | 16        | CROWN |
        2015-01-01   | 26        | CROWN |
        2020-01-01   |           | EXAM  |
    """,
        elsewhere="""
        tooth_fdi | event      | event_date | event_year
        16        | root_canal |            | 2014
        26        | root_canal |            | 2014
    """,
    )
    assert linked.crowns.select("tooth_fdi", "endo_timing", "order_uncertain").rows() == [
        (16, "before_seat", True),
        (26, "before_seat", False),
    ]


def test_what_settles_the_order_of_an_undated_root_canal():
    # p1: we opened it after the seat, so it was alive at the seat. p2: begun by us before the seat. p3: a post 180 days
    # before the seat; p4: 181 days. p5: recorded as root-filled. p6: a pulpotomy of ours. p7: a repeat settles nothing.
    # p8: nor does a pulpotomy of the day of the seat. p9: nor a filling that hints at an opening, where hints open.
    linked = run(
        """
        patient_id | service_date | tooth_fdi | code   | status
        p1         | 2015-01-01   | 16        | CROWN  |
        p1         | 2017-01-01   | 16        | PULP   |
        p2         | 2014-12-01   | 16        | PULP   |
        p2         | 2015-01-01   | 16        | CROWN  |
        p3         | 2014-07-05   | 16        | POST   |
        p3         | 2015-01-01   | 16        | CROWN  |
        p4         | 2014-07-04   | 16        | POST   |
        p4         | 2015-01-01   | 16        | CROWN  |
        p5         | 2015-01-01   | 16        | CROWN  |
        p6         | 2015-01-01   | 16        | CROWN  |
        p6         | 2017-01-01   | 16        | POTOMY |
        p7         | 2015-01-01   | 16        | CROWN  |
        p7         | 2017-01-01   | 16        | REDO   |
        p8         | 2015-01-01   | 16        | POTOMY |
        p8         | 2015-01-01   | 16        | CROWN  |
        p9         | 2015-01-01   | 16        | CROWN  |
        p9         | 2017-01-01   | 16        | FILL1  |
        p9         |              | 16        | ENDO   | existing
        p1         | 2018-01-01   |           | EXAM   |
        p6         | 2018-01-01   |           | EXAM   |
        """,
        details="""
        patient_id | tooth_fdi | seat_date  | pulp_status_at_prep
        p5         | 16        | 2015-01-01 | root_filled
        """,
        elsewhere="""
        patient_id | tooth_fdi | event      | event_date
        p1         | 16        | root_canal |
        p2         | 16        | root_canal |
        p3         | 16        | root_canal |
        p4         | 16        | root_canal |
        p5         | 16        | root_canal |
        p6         | 16        | root_canal |
        p7         | 16        | root_canal |
        p8         | 16        | root_canal |
        """,
        hints_open=True,
    )
    assert_crowns(
        linked,
        """
        patient_id | endo_timing   | access_date | access_elsewhere | order_uncertain
        p1         | through_crown | 2017-01-01  | false            | false
        p2         | before_seat   |             | false            | true
        p3         | before_seat   |             | false            | false
        p4         |               |             | false            | true
        p5         | before_seat   |             | false            | false
        p6         | through_crown | 2017-01-01  | false            | false
        p7         |               |             | false            | true
        p8         |               |             | false            | true
        p9         |               |             | false            | true
    """,
    )


def test_a_repeat_or_surgery_with_no_root_canal_before_it_proves_one_elsewhere():
    # p1: a repeat after the seat; p2: surgery after the seat; p3: surgery before it; p4: our root canal stands before
    # the repeat; p5: surgery and our root canal on one day.
    linked = run("""
        patient_id | service_date | tooth_fdi | code
        p1         | 2015-01-01   | 16        | CROWN
        p1         | 2018-01-01   | 16        | REDO
        p2         | 2015-01-01   | 16        | CROWN
        p2         | 2018-01-01   | 16        | APICO
        p3         | 2014-01-01   | 16        | APICO
        p3         | 2015-01-01   | 16        | CROWN
        p4         | 2015-01-01   | 16        | CROWN
        p4         | 2016-01-01   | 16        | ENDO
        p4         | 2018-01-01   | 16        | REDO
        p5         | 2015-01-01   | 16        | CROWN
        p5         | 2018-01-01   | 16        | ENDO
        p5         | 2018-01-01   | 16        | APICO
        p5         | 2019-01-01   |           | EXAM
    """)
    assert_crowns(
        linked,
        """
        patient_id | endo_timing   | access_date | order_uncertain
        p1         |               |             | true
        p2         |               |             | true
        p3         | before_seat   |             | false
        p4         | through_crown | 2016-01-01  | false
        p5         | through_crown | 2018-01-01  | false
    """,
    )


def test_a_year_alone_is_its_middle_and_uncertain_in_the_year_of_the_seat():
    # p5: a visit in the middle of the year does not make the year a day on which the patient was here.
    linked = run(
        """
        patient_id | service_date | tooth_fdi | code
        p1         | 2015-03-01   | 16        | CROWN
        p2         | 2015-03-01   | 16        | CROWN
        p3         | 2015-09-01   | 16        | CROWN
        p4         | 2015-03-01   | 16        | CROWN
        p5         | 2015-03-01   | 16        | CROWN
        p5         | 2017-07-01   |           | EXAM
        p1         | 2020-01-01   |           | EXAM
        p2         | 2020-01-01   |           | EXAM
        p3         | 2020-01-01   |           | EXAM
        p4         | 2020-01-01   |           | EXAM
        p5         | 2020-01-01   |           | EXAM
        """,
        elsewhere="""
        patient_id | tooth_fdi | event      | event_year
        p1         | 16        | root_canal | 2014
        p2         | 16        | root_canal | 2015
        p3         | 16        | root_canal | 2015
        p4         | 16        | root_canal | 2016
        p5         | 16        | root_canal | 2017
        """,
    )
    assert_crowns(
        linked,
        """
        patient_id | endo_timing   | access_date | access_elsewhere | order_uncertain
        p1         | before_seat   |             | false            | false
        p2         | through_crown | 2015-07-01  | true             | true
        p3         | before_seat   |             | false            | true
        p4         | through_crown | 2016-07-01  | true             | false
        p5         | through_crown | 2017-07-01  | true             | false
    """,
    )


def test_a_root_canal_of_others_is_a_repeat_once_one_was_known_whatever_is_charted_later():
    # Charted on a visit of 2012 and again in 2018; of the one in 2015 a letter tells.
    linked = run(
        """
        service_date | tooth_fdi | code | status
        2012-01-01   |           | EXAM |
        2012-01-01   | 16        | ENDO | existing
        2018-01-01   |           | EXAM |
        2018-01-01   | 16        | ENDO | existing
        """,
        elsewhere="""
        tooth_fdi | event      | event_date
        16        | root_canal | 2015-06-01
        """,
    )
    assert_courses(
        linked,
        """
        started    | kind        | coded_as_initial | done_elsewhere
        2015-06-01 | retreatment | true             | true
    """,
    )


def test_of_courses_here_and_elsewhere_completed_on_one_day_ours_decides():
    # Of the year 2014 alone its middle is taken, on which ours was done: after theirs (p1), or before theirs (p2). p3:
    # of two of ours by the seat the later one decides, done on its day.
    linked = run(
        """
        patient_id | service_date | tooth_fdi | code
        p1         | 2014-07-01   | 16        | ENDO
        p1         | 2015-01-01   | 16        | CROWN
        p2         | 2014-07-01   | 16        | ENDO
        p2         | 2015-01-01   | 16        | CROWN
        p3         | 2012-01-01   | 16        | REDO
        p3         | 2015-01-01   | 16        | REDO
        p3         | 2015-01-01   | 16        | CROWN
        """,
        elsewhere="""
        patient_id | tooth_fdi | event       | event_year
        p1         | 16        | root_canal  | 2014
        p2         | 16        | retreatment | 2014
        """,
    )
    ours = linked.endo_courses.filter(~pl.col("done_elsewhere"), pl.col("started").dt.year() != 2012)
    assert linked.endo_courses.height == 6
    assert linked.crowns["course_id"].to_list() == ours["course_id"].to_list()
    assert linked.crowns["endo_timing"].to_list() == ["before_seat"] * 3


def test_a_repeat_in_the_year_of_the_seat_leaves_sure_what_was_done_before_it():
    # p1: done on a day before the seat; p2: in a year before it; p3: begun here before the seat, and never completed.
    linked = run(
        """
        patient_id | service_date | tooth_fdi | code
        p1         | 2015-09-01   | 16        | CROWN
        p2         | 2015-09-01   | 16        | CROWN
        p3         | 2015-02-01   | 16        | PULP
        p3         | 2015-09-01   | 16        | CROWN
        p1         | 2020-01-01   |           | EXAM
        p2         | 2020-01-01   |           | EXAM
        p3         | 2020-01-01   |           | EXAM
        """,
        elsewhere="""
        patient_id | tooth_fdi | event       | event_date | event_year
        p1         | 16        | root_canal  | 2015-05-01 |
        p1         | 16        | retreatment |            | 2015
        p2         | 16        | root_canal  |            | 2014
        p2         | 16        | retreatment |            | 2015
        p3         | 16        | retreatment |            | 2015
        """,
    )
    assert_crowns(
        linked,
        """
        patient_id | endo_timing | order_uncertain
        p1         | before_seat | false
        p2         | before_seat | false
        p3         | before_seat | true
    """,
    )


FILLINGS = """
        patient_id | service_date | tooth_fdi | code  | surface
        a1         | 2015-01-01   | 16        | CROWN |
        a1         | 2016-01-01   | 16        | FILL1 | O
        a2         | 2015-01-01   | 16        | CROWN |
        a2         | 2016-01-01   | 16        | FILL1 | L
        a3         | 2015-01-01   | 16        | CROWN |
        a3         | 2016-01-01   | 16        | FILL1 |
        b1         | 2015-01-01   | 16        | CROWN |
        b1         | 2016-01-01   | 16        | FILL1 | B
        b2         | 2015-01-01   | 16        | CROWN |
        b2         | 2016-01-01   | 16        | FILL  | MO
        b3         | 2015-01-01   | 16        | CROWN |
        b3         | 2016-01-01   | 16        | FILL  |
        c1         | 2015-01-01   | 16        | CROWN |
        c1         | 2016-01-01   | 16        | FILL1 | O
        c1         | 2017-02-04   | 16        | ENDO  |
        c2         | 2015-01-01   | 16        | CROWN |
        c2         | 2016-01-01   | 16        | FILL1 | O
        c2         | 2017-02-05   | 16        | ENDO  |
        d1         | 2015-01-01   | 16        | CROWN |
        d1         | 2015-02-01   | 16        | ENDO  |
        d1         | 2016-03-07   | 16        | FILL1 | O
        d2         | 2015-01-01   | 16        | CROWN |
        d2         | 2015-02-01   | 16        | ENDO  |
        d2         | 2016-03-08   | 16        | FILL1 | O
        e1         | 2014-12-31   | 16        | FILL1 | O
        e1         | 2015-01-01   | 16        | FILL1 | O
        e1         | 2015-01-01   | 16        | CROWN |
        e2         | 2015-01-01   | 16        | CROWN |
        e2         | 2016-01-01   | 16        | OFF   |
        e2         | 2016-01-01   | 16        | FILL1 | O
        e2         | 2016-02-01   | 16        | FILL1 | O
        f1         | 2015-01-01   | 16        | CROWN |
        f1         | 2016-01-01   | 16        | FILL1 | O
        f2         | 2015-01-01   | 16        | CROWN |
        f2         | 2016-01-01   | 16        | FILL1 | O
"""
ANSWERS = """
        patient_id | tooth_fdi | event      | event_date
        f1         | 16        | nothing    |
        f2         | 16        | root_canal | 2015-12-01
"""


def test_a_filling_of_one_surface_on_a_standing_crown_hints_at_an_opening():
    # a: occlusal, lingual, not named. b: buccal, two surfaces, several without saying which. c: a root canal 400 and
    # 401 days later; d: earlier. e: by the seat, and when the crown was off. f: the practice has answered.
    linked = run(FILLINGS, elsewhere=ANSWERS)
    hints = linked.elsewhere_hints
    assert set(hints["kind"]) == {"filling_on_crown"}
    assert hints.select("patient_id", pl.col("seen_date").cast(pl.String)).rows() == [
        ("a1", "2016-01-01"),
        ("a2", "2016-01-01"),
        ("a3", "2016-01-01"),
        ("c2", "2016-01-01"),
        ("d2", "2016-03-08"),
    ]
    # It changes no label.
    by_patient = dict(linked.crowns.select("patient_id", "endo_timing").rows())
    assert by_patient["a1"] == by_patient["a3"] == by_patient["f1"] == "vital"
    assert by_patient["c2"] == by_patient["d2"] == by_patient["f2"] == "through_crown"
    assert linked.counts["hints_filling_on_crown"] == 5


def test_hints_count_as_openings_in_one_way():
    linked = run(FILLINGS, elsewhere=ANSWERS, hints_open=True)
    opened = linked.crowns.filter(pl.col("endo_timing") == "through_crown")
    assert opened.select("patient_id", pl.col("access_date").cast(pl.String), "access_elsewhere").rows() == [
        ("a1", "2016-01-01", True),
        ("a2", "2016-01-01", True),
        ("a3", "2016-01-01", True),
        ("c1", "2017-02-04", False),
        ("c2", "2016-01-01", True),
        ("d1", "2015-02-01", False),
        ("d2", "2015-02-01", False),
        ("f2", "2015-12-01", True),
    ]
