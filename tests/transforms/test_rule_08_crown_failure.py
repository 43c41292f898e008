"""Rule 8: what ends a crown, what is a complication, and what is nothing."""

from __future__ import annotations

import polars as pl
import pytest
from linking import assert_crowns, run


@pytest.mark.one_in(4)
@pytest.mark.parametrize(
    ("code", "ends"),
    [
        ("CROWN", True),
        ("CERAM", True),
        ("RETAIN", True),
        ("RETONL", True),
        ("ONLAY", True),
        ("PREFAB", True),
        ("TEMP", True),
        ("RETINL", False),
        ("WING", False),
        ("VENEER", False),
        ("INLAY", False),
        ("RECEM", False),
        ("MEND", False),
        ("FILL", False),
    ],
)
def test_every_kind_of_crown_and_a_temporary_one_replaces_a_crown(code: str, ends: bool):
    linked = run(f"""
        service_date | tooth_fdi | code
        2015-01-01   | 16        | CROWN
        2018-01-01   | 16        | {code}
        2020-01-01   |           | EXAM
    """)
    first = linked.crowns.filter(pl.col("seat_date").dt.year() == 2015)
    assert first.select("failure_cause", pl.col("exit_date").cast(pl.String)).rows() == [
        ("replaced", "2018-01-01") if ends else (None, "2020-01-01")
    ]


def test_a_replacement_is_dated_at_the_first_row_of_the_new_crown():
    # 26: the temporary crown of the new one comes first. 36: a temporary crown before and on the day of the seat belongs
    # to the making of this crown.
    linked = run("""
        service_date | tooth_fdi | code
        2015-01-01   | 16        | CROWN
        2018-01-01   | 16        | CROWN
        2018-02-01   | 16        | CROWN
        2015-01-01   | 26        | CROWN
        2018-01-01   | 26        | TEMP
        2018-02-01   | 26        | CROWN
        2014-12-10   | 36        | TEMP
        2015-01-01   | 36        | TEMP
        2015-01-01   | 36        | CROWN
        2020-01-01   |           | EXAM
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | seat_date  | failure_cause | exit_date
        16        | 2015-01-01 | replaced      | 2018-01-01
        16        | 2018-02-01 |               | 2020-01-01
        26        | 2015-01-01 | replaced      | 2018-01-01
        26        | 2018-02-01 |               | 2020-01-01
        36        | 2015-01-01 |               | 2020-01-01
    """,
    )


def test_a_next_crown_posted_on_the_day_of_the_derived_seat_replaces_at_its_own_seat():
    # Posted at the preparation, seated 21 days later. 16: the next one is posted on the day of the seat; 26: a day later.
    linked = run(
        """
        service_date | tooth_fdi | code
        2015-01-01   | 16        | CROWN
        2015-01-22   | 16        | ONLAY
        2015-01-01   | 26        | CROWN
        2015-01-23   | 26        | ONLAY
        2020-01-01   |           | EXAM
        """,
        posted_at_prep=True,
        lab_days=21,
    )
    assert_crowns(
        linked,
        """
        tooth_fdi | seat_date  | failure_cause | exit_date
        16        | 2015-01-22 | replaced      | 2015-02-12
        16        | 2015-02-12 |               | 2020-01-01
        26        | 2015-01-22 | replaced      | 2015-01-23
        26        | 2015-02-13 |               | 2020-01-01
    """,
    )


def test_a_repair_that_closes_an_opening_is_nothing():
    # The course runs from 2018-01-01 to 2018-02-01. 14: on the day of the opening; 15: 60 days after the last row; 16:
    # 61 days. 17: before the opening. 24: a recement in that time. 25: an opening with no course, 60 days; 26: 61.
    # 27: through a crown whose root canal was done before the seat. 34: begun on the day of the seat, so that no crown
    # was opened.
    linked = run("""
        service_date | tooth_fdi | code
        2015-01-01   | 14        | CROWN
        2018-01-01   | 14        | PULP
        2018-01-01   | 14        | MEND
        2018-02-01   | 14        | ENDO
        2015-01-01   | 15        | CROWN
        2018-01-01   | 15        | PULP
        2018-02-01   | 15        | ENDO
        2018-04-02   | 15        | MEND
        2015-01-01   | 16        | CROWN
        2018-01-01   | 16        | PULP
        2018-02-01   | 16        | ENDO
        2018-04-03   | 16        | MEND
        2015-01-01   | 17        | CROWN
        2017-12-31   | 17        | MEND
        2018-01-01   | 17        | PULP
        2018-02-01   | 17        | ENDO
        2015-01-01   | 24        | CROWN
        2018-01-01   | 24        | PULP
        2018-02-01   | 24        | ENDO
        2018-02-10   | 24        | RECEM
        2015-01-01   | 25        | CROWN
        2018-01-01   | 25        | POTOMY
        2018-03-02   | 25        | MEND
        2015-01-01   | 26        | CROWN
        2018-01-01   | 26        | POTOMY
        2018-03-03   | 26        | MEND
        2014-12-01   | 27        | ENDO
        2015-01-01   | 27        | CROWN
        2018-01-01   | 27        | REDO
        2018-01-20   | 27        | MEND
        2015-01-01   | 34        | PULP
        2015-01-01   | 34        | CROWN
        2015-02-01   | 34        | ENDO
        2015-02-10   | 34        | MEND
        2020-01-01   |           | EXAM
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | first_complication_date | failure
        14        |                         | false
        15        |                         | false
        16        | 2018-04-03              | false
        17        | 2017-12-31              | false
        24        | 2018-02-10              | false
        25        |                         | false
        26        | 2018-03-03              | false
        27        |                         | false
        34        | 2015-02-10              | false
    """,
    )
    assert linked.counts["hints_filling_on_crown"] == 0


def test_a_filling_that_closes_an_opening_is_neither_complication_nor_hint():
    linked = run("""
        service_date | tooth_fdi | code  | surface
        2015-01-01   | 16        | CROWN |
        2018-01-01   | 16        | ENDO  |
        2018-03-02   | 16        | FILL1 | O
        2020-01-01   |           | EXAM  |
    """)
    assert linked.crowns["first_complication_date"].to_list() == [None]
    assert linked.elsewhere_hints.is_empty()


def test_a_crown_found_missing_was_lost_between_or_only_came_off():
    # 14: in place in 2016, missing in 2018: 731 days, so 365 after the former. 15, 16: put back 90 and 91 days later.
    # 17: another crown was made first. 24: a later finding saw it in place. 25: recemented in between, and missing in
    # 2018: 365 days from the recement. 26: a finding of the day of the seat says nothing. 27: what was seen in place and
    # missing on one day was missing. 34: came off twice, in 2017 and in 2018. 35: missing on the day of the next crown.
    linked = run(
        """
        service_date | tooth_fdi | code
        2015-01-01   | 14        | CROWN
        2015-01-01   | 15        | CROWN
        2018-04-01   | 15        | RECEM
        2015-01-01   | 16        | CROWN
        2018-04-02   | 16        | RECEM
        2015-01-01   | 17        | CROWN
        2018-02-01   | 17        | CROWN
        2018-03-01   | 17        | RECEM
        2015-01-01   | 24        | CROWN
        2015-01-01   | 25        | CROWN
        2017-01-01   | 25        | RECEM
        2015-01-01   | 26        | CROWN
        2015-01-01   | 27        | CROWN
        2015-01-01   | 34        | CROWN
        2015-01-01   | 35        | CROWN
        2018-01-01   | 35        | CROWN
        2020-01-01   |           | EXAM
        """,
        findings="""
        tooth_fdi | exam_date  | crown_in_place
        14        | 2016-01-01 | true
        14        | 2018-01-01 | false
        15        | 2018-01-01 | false
        16        | 2018-01-01 | false
        17        | 2018-01-01 | false
        24        | 2018-01-01 | false
        24        | 2019-01-01 | true
        25        | 2018-01-01 | false
        26        | 2015-01-01 | false
        27        | 2018-01-01 | false
        27        | 2018-01-01 | true
        34        | 2017-01-01 | false
        34        | 2018-01-01 | false
        34        | 2019-01-01 | true
        35        | 2018-01-01 | false
        """,
    )
    # 1096 days from the seat to 2018-01-01: the middle is 548 days after the seat.
    assert_crowns(
        linked,
        """
        tooth_fdi | seat_date  | failure_cause | exit_date  | loss_interval_days | first_complication_date
        14        | 2015-01-01 | removed       | 2016-12-31 | 731                |
        15        | 2015-01-01 |               | 2020-01-01 |                    | 2018-01-01
        16        | 2015-01-01 | removed       | 2016-07-02 | 1096               |
        17        | 2015-01-01 | removed       | 2016-07-02 | 1096               |
        17        | 2018-02-01 |               | 2020-01-01 |                    | 2018-03-01
        24        | 2015-01-01 |               | 2020-01-01 |                    | 2018-01-01
        25        | 2015-01-01 | removed       | 2017-07-02 | 365                | 2017-01-01
        26        | 2015-01-01 |               | 2020-01-01 |                    |
        27        | 2015-01-01 | removed       | 2016-07-02 | 1096               |
        34        | 2015-01-01 |               | 2020-01-01 |                    | 2017-01-01
        35        | 2015-01-01 | replaced      | 2018-01-01 |                    |
        35        | 2018-01-01 |               | 2020-01-01 |                    |
    """,
    )


def test_what_says_when_a_missing_crown_was_there_last():
    # 14: a finding before the seat says nothing of this crown, and the first of two findings that it is missing counts.
    # 15: put back on the day it was found missing. 16: a repair of the day of the seat is none; 17: of the day after.
    # 24: recemented, and repaired a year later: the later of the two says until when it was there. 25: a repair of the
    # day of the finding does not. 26: the first of two repairs is the first complication.
    linked = run(
        """
        service_date | tooth_fdi | code
        2015-01-01   | 14        | CROWN
        2015-01-01   | 15        | CROWN
        2018-01-01   | 15        | RECEM
        2015-01-01   | 16        | CROWN
        2015-01-01   | 16        | MEND
        2015-01-01   | 17        | CROWN
        2015-01-02   | 17        | MEND
        2015-01-01   | 24        | CROWN
        2016-01-01   | 24        | RECEM
        2017-01-01   | 24        | MEND
        2015-01-01   | 25        | CROWN
        2018-01-01   | 25        | MEND
        2015-01-01   | 26        | CROWN
        2016-01-01   | 26        | MEND
        2017-01-01   | 26        | MEND
        2020-01-01   |           | EXAM
        """,
        findings="""
        tooth_fdi | exam_date  | crown_in_place
        14        | 2014-06-01 | true
        14        | 2018-01-01 | false
        14        | 2019-01-01 | false
        15        | 2018-01-01 | false
        24        | 2018-01-01 | false
        25        | 2018-01-01 | false
        """,
    )
    assert_crowns(
        linked,
        """
        tooth_fdi | failure_cause | exit_date  | loss_interval_days | first_complication_date
        14        | removed       | 2016-07-02 | 1096               |
        15        |               | 2020-01-01 |                    | 2018-01-01
        16        |               | 2020-01-01 |                    |
        17        |               | 2020-01-01 |                    | 2015-01-02
        24        | removed       | 2017-07-02 | 365                | 2016-01-01
        25        | removed       | 2016-07-02 | 1096               |
        26        |               | 2020-01-01 |                    | 2016-01-01
    """,
    )


def test_a_crown_that_had_ended_before_was_not_lost_earlier_because_it_is_found_missing():
    # 14: taken off; 15: covered for the time being; 16: the tooth was extracted; 17: taken off by others. 24: taken off,
    # and covered after the finding; 25: taken off and found missing on one day.
    linked = run(
        """
        service_date | tooth_fdi | code  | status
        2015-01-01   | 14        | CROWN |
        2017-01-01   | 14        | OFF   |
        2015-01-01   | 15        | CROWN |
        2017-01-01   | 15        | TEMP  |
        2015-01-01   | 16        | CROWN |
        2017-01-01   | 16        | OUT   |
        2015-01-01   | 17        | CROWN |
        2017-01-02   | 17        | OFF   | existing
        2015-01-01   | 24        | CROWN |
        2017-01-01   | 24        | OFF   |
        2019-01-01   | 24        | TEMP  |
        2015-01-01   | 25        | CROWN |
        2018-01-01   | 25        | OFF   |
        2020-01-01   |           | EXAM  |
        """,
        findings="""
        tooth_fdi | exam_date  | crown_in_place
        14        | 2018-01-01 | false
        15        | 2018-01-01 | false
        16        | 2018-01-01 | false
        17        | 2018-01-01 | false
        24        | 2018-01-01 | false
        25        | 2018-01-01 | false
        """,
    )
    assert_crowns(
        linked,
        """
        tooth_fdi | failure_cause | exit_date  | loss_interval_days | failure_elsewhere
        14        | removed       | 2017-01-01 |                    | false
        15        | replaced      | 2017-01-01 |                    | false
        16        | extracted     | 2017-01-01 |                    | false
        17        | removed       | 2017-01-02 |                    | true
        24        | removed       | 2017-01-01 |                    | false
        25        | removed       | 2018-01-01 |                    | false
    """,
    )


def test_a_crown_found_missing_was_there_on_its_own_seat_whatever_was_seen_of_the_crown_before_it():
    # The old crown was recemented in 2014 and seen in place in 2014; of the new one nothing is known but its seat.
    linked = run(
        """
        service_date | tooth_fdi | code
        2012-01-01   | 16        | CROWN
        2014-01-01   | 16        | RECEM
        2015-01-01   | 16        | CROWN
        2020-01-01   |           | EXAM
        """,
        findings="""
        tooth_fdi | exam_date  | crown_in_place
        16        | 2014-06-01 | true
        16        | 2018-01-01 | false
        """,
    )
    assert_crowns(
        linked,
        """
        tooth_fdi | seat_date  | failure_cause | exit_date  | loss_interval_days
        16        | 2012-01-01 | replaced      | 2015-01-01 |
        16        | 2015-01-01 | removed       | 2016-07-02 | 1096
    """,
    )


def test_a_finding_between_the_rows_of_the_next_crown_is_of_neither_and_of_two_of_one_seat_of_the_later_posted():
    # 16: found missing while the next was being made. 26: recorded as seated on a day on which others seated one too.
    linked = run(
        """
        service_date | tooth_fdi | code  | status
        2015-01-01   | 16        | CROWN |
        2016-01-01   | 16        | CROWN |
        2016-01-20   | 16        | CROWN |
        2015-01-05   | 26        | CROWN | existing
        2015-01-10   | 26        | CROWN |
        2020-01-01   |           | EXAM  |
        """,
        details="tooth_fdi | seat_date\n26 | 2015-01-05",
        findings="""
        tooth_fdi | exam_date  | crown_in_place
        16        | 2016-01-10 | false
        26        | 2018-01-05 | false
        """,
    )
    assert_crowns(
        linked,
        """
        tooth_fdi | seat_date  | failure_cause | exit_date  | loss_interval_days
        16        | 2015-01-01 | replaced      | 2016-01-01 |
        16        | 2016-01-20 |               | 2020-01-01 |
        26        | 2015-01-05 | replaced      | 2015-01-10 |
        26        | 2015-01-05 | removed       | 2016-07-06 | 1096
    """,
    )
