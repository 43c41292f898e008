"""Rule 9: what ends a root canal."""

from __future__ import annotations

import polars as pl
import pytest
from drawn import frame
from linking import assert_courses, run

from pipeline.transforms.failures import endo_failures


def test_the_first_root_resection_counts_whoever_did_it():
    # 16: first elsewhere; 26: first here.
    linked = run("""
        service_date | tooth_fdi | code | status
        2015-01-01   | 16        | ENDO |
        2017-01-02   | 16        | ROOT | existing
        2018-01-01   | 16        | ROOT |
        2015-01-01   | 26        | ENDO |
        2017-01-01   | 26        | ROOT |
        2018-01-02   | 26        | ROOT | existing
        2020-01-01   |           | EXAM |
    """)
    assert_courses(
        linked,
        """
        tooth_fdi | failure_cause  | failure_elsewhere | exit_date  | surgery_date
        16        | root_resection | true              | 2017-01-02 | 2017-01-02
        26        | root_resection | false             | 2017-01-01 | 2017-01-01
    """,
    )


def test_a_course_that_did_not_fail_failed_nowhere():
    # 16: never; 26: taken out elsewhere; 36: operated here.
    courses = frame("""
        patient_id | tooth_fdi | kind    | started    | completed  | done_elsewhere
        p1         | 16        | initial | 2015-01-01 | 2015-01-01 | false
        p1         | 26        | initial | 2015-01-01 | 2015-01-01 | false
        p1         | 36        | initial | 2015-01-01 | 2015-01-01 | false
    """)
    events = frame("""
        patient_id | tooth_fdi | service_date | event
        p1         | 36        | 2017-01-01   | apical_surgery
    """)
    others = frame("patient_id | tooth_fdi | what | day").with_columns(pl.col("what").cast(pl.String))
    lost = frame("""
        patient_id | tooth_fdi | lost_elsewhere | loss_reason
        p1         | 26        | true           | caries
    """).with_columns(lost_on=pl.date(2018, 1, 1), last_there=pl.lit(None, pl.Date), gone_by=pl.lit(None, pl.Date))
    failed = endo_failures(courses, events, others, lost, losses="middle").sort("tooth_fdi")
    assert failed.select("tooth_fdi", "failure_cause", "failure_elsewhere").rows() == [
        (16, None, False),
        (26, "extraction", True),
        (36, "surgery", False),
    ]


def test_a_repeat_here_and_elsewhere_on_one_day_is_ours():
    # Of the year 2016 alone its middle is taken.
    linked = run(
        """
        service_date | tooth_fdi | code
        2015-01-01   | 16        | ENDO
        2016-07-01   | 16        | REDO
        2020-01-01   |           | EXAM
        """,
        elsewhere="tooth_fdi | event | event_year\n16 | retreatment | 2016",
    )
    first = linked.endo_courses.filter(pl.col("kind") == "initial")
    assert first.select("failure_cause", "failure_elsewhere").rows() == [("retreatment", False)]


def test_a_root_canal_filled_after_its_crown_was_cut_off_was_never_followed():
    """Where it was filled on the last day of the records nothing ended it sooner."""
    linked = run("""
        service_date | tooth_fdi | code
        2015-01-01   | 16        | PULP
        2015-02-01   | 16        | CORON
        2015-03-01   | 16        | ENDO
    """)
    assert_courses(
        linked,
        """
        started    | completed  | exit_date  | failure | exit_reason
        2015-01-01 | 2015-03-01 | 2015-03-01 | false   | cutoff
    """,
    )


@pytest.mark.parametrize("after_last_contact", [False, True])
def test_a_loss_that_is_not_counted_ends_the_follow_up_where_the_tooth_was_last_there(after_last_contact: bool):
    # 16: gone by 2018; 26: taken out by others on no known day; 36: never lost.
    linked = run(
        """
        service_date | tooth_fdi | code | status
        2015-01-01   | 16        | ENDO |
        2016-01-01   | 16        | FILL |
        2018-01-01   | 16        | DENT |
        2015-01-01   | 26        | ENDO |
        2016-01-01   | 26        | FILL |
                     | 26        | OUT  | existing
        2015-01-01   | 36        | ENDO |
        2020-01-01   |           | CLEAN |
        """,
        losses="not_counted",
        count_after_last_contact=after_last_contact,
    )
    assert_courses(
        linked,
        """
        tooth_fdi | exit_date  | failure | exit_reason  | failure_elsewhere | loss_interval_days
        16        | 2016-01-01 | false   | last_contact | false             |
        26        | 2016-01-01 | false   | last_contact | false             |
        36        | 2020-01-01 | false   | cutoff       | false             |
    """,
    )
    assert linked.tooth_followup.select("tooth_fdi", pl.col("followed_to").cast(pl.String), "extracted").rows() == [
        (16, "2016-01-01", None),
        (26, "2016-01-01", None),
        (36, "2020-01-01", None),
    ]
