"""Rule 2: which rows are things that happened."""

from __future__ import annotations

import polars as pl
from linking import assert_courses, assert_crowns, run


def hints(linked) -> list[tuple[str, str, str]]:
    return linked.elsewhere_hints.select("patient_id", "kind", pl.col("seen_date").cast(pl.String)).rows()


def test_a_refund_takes_back_a_row_at_most_sixty_days_before_it():
    # p1: an extraction taken back after 60 days; p2: after 61 days, so the tooth was lost. p3, p4: a crown likewise.
    ledger = """
        patient_id | service_date | tooth_fdi | code  | fee
        p1         | 2015-01-01   | 16        | CROWN | 900
        p1         | 2018-01-01   | 16        | OUT   | 100
        p1         | 2018-03-02   | 16        | OUT   | -100
        p1         | 2020-01-01   |           | EXAM  | 50
        p2         | 2015-01-01   | 16        | CROWN | 900
        p2         | 2018-01-01   | 16        | OUT   | 100
        p2         | 2018-03-03   | 16        | OUT   | -100
        p2         | 2020-01-01   |           | EXAM  | 50
        p3         | 2015-01-01   | 16        | CROWN | 900
        p3         | 2015-03-02   | 16        | CROWN | -900
        p3         | 2020-01-01   |           | EXAM  | 50
        p4         | 2015-01-01   | 16        | CROWN | 900
        p4         | 2015-03-03   | 16        | CROWN | -900
        p4         | 2020-01-01   |           | EXAM  | 50
    """
    linked = run(ledger)
    assert_crowns(
        linked,
        """
        patient_id | seat_date  | failure | failure_cause | exit_date
        p1         | 2015-01-01 | false   |               | 2020-01-01
        p2         | 2015-01-01 | true    | extracted     | 2018-01-01
        p4         | 2015-01-01 | false   |               | 2020-01-01
    """,
    )
    # What was refunded late may have failed: the practice is asked.
    assert hints(linked) == [("p4", "late_refund", "2015-03-03")]
    assert linked.counts["late_refunds"] == 1
    assert linked.counts["rows_reversed"] == 2
    longer = run(ledger, reversal_days=61)
    assert longer.crowns["patient_id"].to_list() == ["p1", "p2"]
    assert longer.crowns["failure"].to_list() == [False, False]


def test_a_refund_fits_only_the_same_patient_code_tooth_and_amount():
    linked = run("""
        patient_id | service_date | tooth_fdi | code  | fee
        p1         | 2015-01-01   | 16        | CROWN | 900
        p1         | 2015-01-10   | 17        | CROWN | -900
        p2         | 2015-01-01   | 16        | CROWN | 900
        p2         | 2015-01-10   | 16        | CERAM | -900
        p3         | 2015-01-01   | 16        | CROWN | 900
        p3         | 2015-01-10   | 16        | CROWN | -899.99
        p4         | 2015-01-01   | 16        | CROWN | 900
        p5         | 2015-01-10   | 16        | CROWN | -900
        p6         | 2015-01-01   | 16        | CROWN | 900
        p6         | 2015-01-10   | 16        | CROWN | -900
        p7         | 2015-01-01   | 16        | CROWN |
        p7         | 2015-01-10   | 16        | CROWN | -900
    """)
    assert linked.crowns["patient_id"].to_list() == ["p1", "p2", "p3", "p4", "p7"]
    assert linked.counts["reversals_without_match"] == 5


def test_refund_and_redo_on_one_day_reverse_neither_row():
    # p1: seven years later. p2: after 61 days, more than rows of one crown lie apart. p3: no older row, so the row of
    # the day itself is taken back. p4: an older row of another amount is no match, so again the row of the day.
    linked = run("""
        patient_id | service_date | tooth_fdi | code  | fee
        p1         | 2010-05-03   | 16        | CROWN | 900
        p1         | 2017-05-03   | 16        | CROWN | -900
        p1         | 2017-05-03   | 16        | CROWN | 900
        p1         | 2020-01-01   |           | EXAM  | 50
        p2         | 2010-01-01   | 16        | CROWN | 900
        p2         | 2010-03-03   | 16        | CROWN | 900
        p2         | 2010-03-03   | 16        | CROWN | -900
        p2         | 2020-01-01   |           | EXAM  | 50
        p3         | 2010-01-01   | 16        | CROWN | 900
        p3         | 2010-01-01   | 16        | CROWN | -900
        p4         | 2010-01-01   | 16        | CROWN | 800
        p4         | 2012-01-01   | 16        | CROWN | 900
        p4         | 2012-01-01   | 16        | CROWN | -900
        p4         | 2020-01-01   |           | EXAM  | 50
    """)
    assert_crowns(
        linked,
        """
        patient_id | seat_date  | failure_cause | exit_date  | remake_no_fee
        p1         | 2010-05-03 | replaced      | 2017-05-03 | false
        p1         | 2017-05-03 |               | 2020-01-01 | false
        p2         | 2010-01-01 | replaced      | 2010-03-03 | false
        p2         | 2010-03-03 |               | 2020-01-01 | false
        p4         | 2010-01-01 |               | 2020-01-01 | false
    """,
    )


def test_rows_of_one_day_that_differ_in_clinician_are_one():
    linked = run("""
        patient_id | service_date | tooth_fdi | code  | fee | provider_id
        p1         | 2015-01-01   | 16        | ENDO  | 700 | a
        p1         | 2015-01-01   | 16        | ENDO  | 700 | b
        p1         | 2015-03-01   | 16        | CROWN | 900 | a
        p1         | 2015-03-01   | 16        | CROWN | 900 | b
        p2         | 2015-01-01   | 16        | ENDO  | 700 | a
        p2         | 2015-01-01   | 16        | ENDO  | 700 | a
        p2         | 2015-03-01   | 16        | CROWN | 900 | a
        p2         | 2015-03-01   | 16        | CROWN | 900 | a
    """)
    assert_crowns(
        linked,
        """
        patient_id | seat_date  | provider_id | remake_no_fee | failure
        p1         | 2015-03-01 |             | false         | false
        p2         | 2015-03-01 | a           | false         | false
    """,
    )
    assert_courses(
        linked,
        """
        patient_id | started    | completed  | visits | kind    | provider_id
        p1         | 2015-01-01 | 2015-01-01 | 1      | initial |
        p2         | 2015-01-01 | 2015-01-01 | 1      | initial | a
    """,
    )


def test_planned_and_void_rows_are_nothing():
    linked = run("""
        service_date | tooth_fdi | code  | status
        2015-01-01   | 16        | CROWN |
        2016-01-01   | 16        | ENDO  | planned
        2016-01-01   | 16        | ENDO  | void
        2017-01-01   | 16        | CROWN | planned
        2018-01-01   | 16        | OUT   | void
        2019-01-01   |           | EXAM  |
        2021-01-01   | 16        | OUT   | planned
    """)
    assert_crowns(
        linked,
        """
        seat_date  | endo_timing | failure | exit_date
        2015-01-01 | vital       | false   | 2019-01-01
    """,
    )
