"""Rule 4: which rows of root canal treatment are one course, and which rows open a pulp."""

from __future__ import annotations

import polars as pl
import pytest
from linking import assert_courses, assert_crowns, run


@pytest.mark.parametrize("opening", ["PULP", "POTOMY", "GIVEUP"])
def test_what_opens_a_pulp_within_the_gap_starts_the_course(opening: str):
    # 16: 180 days before; 26: 181 days before.
    linked = run(f"""
        service_date | tooth_fdi | code
        2015-01-01   | 16        | CROWN
        2015-01-01   | 26        | CROWN
        2016-01-01   | 16        | {opening}
        2016-06-29   | 16        | ENDO
        2016-01-01   | 26        | {opening}
        2016-06-30   | 26        | ENDO
    """)
    of_16 = linked.endo_courses.filter(pl.col("tooth_fdi") == 16)
    assert of_16.select(pl.col("started", "completed").cast(pl.String), "visits", "kind").rows() == [
        ("2016-01-01", "2016-06-29", 2, "initial")
    ]
    of_26 = linked.endo_courses.filter(pl.col("tooth_fdi") == 26, pl.col("completed").is_not_null())
    assert of_26.select(pl.col("started", "completed").cast(pl.String), "visits", "kind").rows() == [
        ("2016-06-30", "2016-06-30", 1, "initial")
    ]
    # Opened on the first row that opens the pulp, whether a course follows in time or not.
    assert_crowns(
        linked,
        """
        tooth_fdi | endo_timing   | access_date
        16        | through_crown | 2016-01-01
        26        | through_crown | 2016-01-01
    """,
    )


@pytest.mark.parametrize(("opening", "begun"), [("PULP", 1), ("GIVEUP", 1), ("POTOMY", 0)])
def test_what_opens_a_pulp_completes_nothing_by_itself(opening: str, begun: int):
    linked = run(f"""
        service_date | tooth_fdi | code
        2015-01-01   | 16        | CROWN
        2016-01-01   | 16        | {opening}
        2018-01-01   |           | EXAM
    """)
    # Where a part of the pulp is kept alive on purpose, no root canal was begun.
    assert linked.endo_courses["completed"].to_list() == [None] * begun
    assert_crowns(
        linked,
        """
        endo_timing   | access_date
        through_crown | 2016-01-01
    """,
    )


def test_a_later_row_without_a_fee_belongs_to_the_paid_course():
    # 16: 365 days; 17: 366. 26: a crown seated between. 27: an empty fee is not 0. 36: both paid. 37: a repeat row.
    # 46: the unpaid row first. 47: the crown is seated on the day of the unpaid row, not before it. 14: it was there
    # before the paid row. 15: it is seated on the day of the paid row, which is before the unpaid one. 24: neither paid.
    linked = run("""
        service_date | tooth_fdi | code  | fee
        2015-01-01   | 16        | ENDO  | 700
        2016-01-01   | 16        | ENDO  | 0
        2015-01-01   | 17        | ENDO  | 700
        2016-01-02   | 17        | ENDO  | 0
        2015-01-01   | 26        | ENDO  | 700
        2015-02-01   | 26        | CROWN | 900
        2016-01-01   | 26        | ENDO  | 0
        2015-01-01   | 27        | ENDO  | 700
        2016-01-01   | 27        | ENDO  |
        2015-01-01   | 36        | ENDO  | 700
        2016-01-01   | 36        | ENDO  | 700
        2015-01-01   | 37        | ENDO  | 700
        2016-01-01   | 37        | REDO  | 0
        2015-01-01   | 46        | ENDO  | 0
        2016-01-01   | 46        | ENDO  | 700
        2015-01-01   | 47        | ENDO  | 700
        2016-01-01   | 47        | ENDO  | 0
        2016-01-01   | 47        | CROWN | 900
        2012-01-01   | 14        | CROWN | 900
        2015-01-01   | 14        | ENDO  | 700
        2016-01-01   | 14        | ENDO  | 0
        2015-01-01   | 15        | ENDO  | 700
        2015-01-01   | 15        | CROWN | 900
        2016-01-01   | 15        | ENDO  | 0
        2015-01-01   | 24        | ENDO  | 0
        2016-01-01   | 24        | ENDO  | 0
    """)
    assert_courses(
        linked,
        """
        tooth_fdi | started    | completed  | visits | kind        | coded_as_initial | failure
        14        | 2015-01-01 | 2015-01-01 | 2      | initial     | false            | false
        15        | 2015-01-01 | 2015-01-01 | 1      | initial     | false            | true
        15        | 2016-01-01 | 2016-01-01 | 1      | retreatment | true             | false
        16        | 2015-01-01 | 2015-01-01 | 2      | initial     | false            | false
        17        | 2015-01-01 | 2015-01-01 | 1      | initial     | false            | true
        17        | 2016-01-02 | 2016-01-02 | 1      | retreatment | true             | false
        24        | 2015-01-01 | 2015-01-01 | 1      | initial     | false            | true
        24        | 2016-01-01 | 2016-01-01 | 1      | retreatment | true             | false
        26        | 2015-01-01 | 2015-01-01 | 1      | initial     | false            | true
        26        | 2016-01-01 | 2016-01-01 | 1      | retreatment | true             | false
        27        | 2015-01-01 | 2015-01-01 | 1      | initial     | false            | true
        27        | 2016-01-01 | 2016-01-01 | 1      | retreatment | true             | false
        36        | 2015-01-01 | 2015-01-01 | 1      | initial     | false            | true
        36        | 2016-01-01 | 2016-01-01 | 1      | retreatment | true             | false
        37        | 2015-01-01 | 2015-01-01 | 1      | initial     | false            | true
        37        | 2016-01-01 | 2016-01-01 | 1      | retreatment | false            | false
        46        | 2015-01-01 | 2015-01-01 | 1      | initial     | false            | true
        46        | 2016-01-01 | 2016-01-01 | 1      | retreatment | true             | false
        47        | 2015-01-01 | 2015-01-01 | 2      | initial     | false            | false
    """,
    )


def test_where_most_crowns_have_no_fee_a_fee_of_0_says_nothing():
    # One of two crown rows has a fee, which is not most.
    linked = run("""
        service_date | tooth_fdi | code  | fee
        2015-01-01   | 16        | ENDO  | 700
        2016-01-01   | 16        | ENDO  | 0
        2015-01-01   | 26        | CROWN | 900
        2015-01-01   | 36        | CROWN |
    """)
    assert_courses(
        linked,
        """
        started    | kind        | coded_as_initial
        2015-01-01 | initial     | false
        2016-01-01 | retreatment | true
    """,
    )


def test_paired_rows_count_apart_in_one_way():
    ledger = """
        service_date | tooth_fdi | code  | fee
        2015-01-01   | 16        | ENDO  | 700
        2016-01-01   | 16        | ENDO  | 0
        2015-01-01   | 26        | CROWN | 900
        2015-05-01   | 26        | CROWN | 0
        2015-01-01   | 36        | CROWN | 900
    """
    together = run(ledger)
    assert (together.endo_courses.height, together.crowns.height) == (1, 2)
    apart = run(ledger, course_pair_days=0, crown_pair_days=0)
    assert apart.endo_courses["coded_as_initial"].to_list() == [False, True]
    assert_crowns(
        apart,
        """
        tooth_fdi | seat_date  | failure_cause | remake_no_fee
        26        | 2015-01-01 | replaced      | false
        26        | 2015-05-01 |               | true
        36        | 2015-01-01 |               | false
    """,
    )


def test_a_code_of_another_class_of_tooth_is_counted():
    linked = run("""
        service_date | tooth_fdi | code
        2015-01-01   | 11        | ENDOM
        2015-01-01   | 16        | ENDOM
        2015-01-01   | 26        | ENDO
        2016-01-01   | 26        | APICOF
    """)
    # 26: the surgery has the code of a front tooth, and is no root canal.
    assert linked.counts["root_canals_coded_for_another_tooth"] == 1
    assert linked.endo_courses.height == 3


def test_a_treatment_given_up_ends_with_its_last_row():
    # 16: the hole is closed within 60 days of the second opening. 17: after 61 days, which is a repair of the crown.
    linked = run("""
        service_date | tooth_fdi | code
        2015-01-01   | 16        | CROWN
        2016-01-01   | 16        | PULP
        2016-03-01   | 16        | PULP
        2016-04-30   | 16        | MEND
        2015-01-01   | 17        | CROWN
        2016-01-01   | 17        | PULP
        2016-03-01   | 17        | PULP
        2016-05-01   | 17        | MEND
        2018-01-01   |           | EXAM
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | access_date | first_complication_date
        16        | 2016-01-01  |
        17        | 2016-01-01  | 2016-05-01
    """,
    )
