"""Rule 13: a tooth that something shows to be gone, though no extraction is on record."""

from __future__ import annotations

import datetime as dt

import pytest
from linking import assert_courses, assert_crowns, run


@pytest.mark.one_in(2)
@pytest.mark.parametrize("sign", ["IMPL", "PONT", "DENT", "GONE"])
def test_whatever_stands_in_its_place_shows_that_a_tooth_was_lost_between(sign: str):
    ledger = f"""
        service_date | tooth_fdi | code
        2014-12-01   | 16        | ENDO
        2015-01-01   | 16        | CROWN
        2017-01-01   |           | EXAM
        2018-01-01   | 16        | {sign}
        2020-01-01   |           | EXAM
    """
    # 365 days; the middle is 182 days after the examination.
    linked = run(ledger)
    assert_crowns(
        linked,
        """
        failure_cause | exit_date  | loss_reason | loss_interval_days | failure_elsewhere | exit_reason
        extracted     | 2017-07-02 | unknown     | 365                | false             | failed
    """,
    )
    assert_courses(
        linked,
        """
        failure_cause | exit_date  | extraction_date | loss_interval_days
        extraction    | 2017-07-02 | 2017-07-02      | 365
    """,
    )
    assert linked.tooth_followup["extracted"].cast(str).to_list() == ["2017-07-02"]
    assert_crowns(
        run(ledger, losses="first_sign"),
        """
        failure_cause | exit_date  | loss_interval_days
        extracted     | 2018-01-01 | 365
    """,
    )
    uncounted = run(ledger, losses="not_counted")
    assert_crowns(
        uncounted,
        """
        failure | failure_cause | exit_date  | exit_reason
        false   |               | 2017-01-01 | last_contact
    """,
    )
    assert_courses(
        uncounted,
        """
        failure | exit_date  | exit_reason
        false   | 2017-01-01 | last_contact
    """,
    )


@pytest.mark.one_in(3)
@pytest.mark.parametrize(
    ("row", "finding", "exit_date", "apart"),
    [
        # Rows of the tooth, an opening among them; a finding of it; an examination of the patient.
        ("2017-01-01 | 16 | FILL", "", "2017-07-02", 365),
        ("2017-01-01 | 16 | PULP", "", "2017-07-02", 365),
        ("2017-01-01 | 16 | RECEM", "", "2017-07-02", 365),
        ("2017-01-01 | | EXAM", "", "2017-07-02", 365),
        ("2017-01-01 | | CLEAN", "16 | 2017-01-01", "2017-07-02", 365),
        # A finding of another tooth is an examination of the patient.
        ("2017-01-01 | | CLEAN", "17 | 2017-01-01", "2017-07-02", 365),
        # Neither another visit nor a row of another tooth, nor a visit missed. The seat is the last day then: 1096 days.
        ("2017-01-01 | | CLEAN", "", "2016-07-02", 1096),
        ("2017-01-01 | 17 | FILL", "", "2016-07-02", 1096),
        ("2017-01-01 | | MISSED", "", "2016-07-02", 1096),
    ],
)
def test_what_says_that_a_tooth_was_there(row: str, finding: str, exit_date: str, apart: int):
    linked = run(
        f"""
        service_date | tooth_fdi | code
        2015-01-01   | 16        | CROWN
        {row}
        2018-01-01   | 16        | IMPL
        """,
        findings=f"tooth_fdi | exam_date\n{finding}" if finding else "",
    )
    assert linked.crowns.select(linked.crowns["exit_date"].cast(str), "loss_interval_days").rows() == [
        (exit_date, apart)
    ]


def test_signs_that_the_chart_holds_with_and_without_a_date():
    # p1: an undated extraction counts as seen at the last contact. p2: charted as missing without a date, examined that
    # day too. p3: an extraction dated on a day away is known to the day. p4: an implant of others on a day away shows
    # it gone by then. p5: an undated extraction of a tooth that was treated on the last day: contradicted.
    linked = run("""
        patient_id | service_date | tooth_fdi | code  | status   | reason
        p1         | 2015-01-01   | 16        | CROWN |          |
        p1         | 2017-01-01   |           | EXAM  |          |
        p1         |              | 16        | OUT   | existing | caries
        p1         | 2018-01-01   |           | CLEAN |          |
        p2         | 2015-01-01   | 16        | CROWN |          |
        p2         | 2017-01-01   |           | EXAM  |          |
        p2         |              | 16        | GONE  | existing |
        p2         | 2018-01-01   |           | EXAM  |          |
        p3         | 2015-01-01   | 16        | CROWN |          |
        p3         | 2017-05-05   | 16        | OUT   | existing | fracture
        p3         | 2018-01-01   |           | EXAM  |          |
        p4         | 2015-01-01   | 16        | CROWN |          |
        p4         | 2017-01-01   | 16        | IMPL  | existing |
        p4         | 2018-01-01   |           | EXAM  |          |
        p5         | 2015-01-01   | 16        | CROWN |          |
        p5         |              | 16        | OUT   | existing |
        p5         | 2018-01-01   | 16        | FILL  |          |
    """)
    # p1, p2: 365 days. p4: 731 days from the seat.
    assert_crowns(
        linked,
        """
        patient_id | failure_cause | exit_date  | loss_reason | loss_interval_days | failure_elsewhere
        p1         | extracted     | 2017-07-02 | caries      | 365                | true
        p2         | extracted     | 2017-07-02 | unknown     | 365                | false
        p3         | extracted     | 2017-05-05 | fracture    |                    | true
        p4         | extracted     | 2016-01-01 | unknown     | 731                | false
        p5         |               | 2018-01-01 |             |                    | false
    """,
    )
    assert linked.counts["signs_of_loss_contradicted"] == 1


def test_an_extraction_by_others_on_a_known_day_goes_before_an_earlier_sign():
    linked = run("""
        service_date | tooth_fdi | code  | status   | reason
        2015-01-01   | 16        | CROWN |          |
        2016-01-01   | 16        | PONT  |          |
        2017-05-05   | 16        | OUT   | existing | fracture
        2018-01-01   |           | EXAM  |          |
    """)
    assert_crowns(
        linked,
        """
        failure_cause | exit_date  | loss_reason | loss_interval_days | failure_elsewhere
        extracted     | 2017-05-05 | fracture    |                    | true
    """,
    )


def test_a_sign_that_a_later_row_contradicts_is_counted_and_ignored():
    # 14: a filling after the pontic. 15: a root canal after an extraction told by the chart. 16: a crown on the implant
    # contradicts nothing. 17: a filling and a sign on one day: one of the two has the wrong number. 24: a later sign
    # stands where an earlier one is contradicted. 25: known to the day.
    linked = run("""
        service_date | tooth_fdi | code  | status
        2015-01-01   | 14        | CROWN |
        2016-01-01   | 14        | PONT  |
        2017-01-01   | 14        | FILL  |
        2015-01-01   | 15        | CROWN |
        2016-02-01   | 15        | OUT   | existing
        2017-01-01   | 15        | ENDO  |
        2015-01-01   | 16        | CROWN |
        2016-01-01   | 16        | IMPL  |
        2017-01-01   | 16        | CROWN |
        2015-01-01   | 17        | CROWN |
        2017-01-01   | 17        | FILL  |
        2017-01-01   | 17        | GONE  |
        2015-01-01   | 24        | CROWN |
        2016-01-01   | 24        | PONT  |
        2017-01-01   | 24        | FILL  |
        2018-01-01   | 24        | GONE  |
        2015-01-01   | 25        | CROWN |
        2017-01-02   | 25        | OUT   | existing
        2020-01-01   |           | EXAM  |
    """)
    # 16: 365 days from the seat; 24: 365 from the filling.
    assert_crowns(
        linked,
        """
        tooth_fdi | endo_timing   | failure_cause | exit_date  | loss_interval_days
        14        | vital         |               | 2020-01-01 |
        15        | through_crown |               | 2020-01-01 |
        16        | vital         | extracted     | 2015-07-02 | 365
        17        | vital         |               | 2020-01-01 |
        24        | vital         | extracted     | 2017-07-02 | 365
        25        | vital         | extracted     | 2017-01-02 |
    """,
    )
    assert linked.counts["signs_of_loss_contradicted"] == 4


@pytest.mark.parametrize(
    ("code", "seated"), [("ENDO", 2), ("APICO", 2), ("FILL", 1), ("CROWN", 1), ("OFF", 1), ("IMPL", 1)]
)
def test_a_crown_after_an_implant_is_of_the_tooth_where_others_treated_its_root_since(code: str, seated: int):
    linked = run(f"""
        service_date | tooth_fdi | code   | status
        2015-01-01   | 16        | CROWN  |
        2016-01-01   | 16        | IMPL   |
        2017-01-02   | 16        | {code} | existing
        2018-01-01   | 16        | CROWN  |
        2020-01-01   |           | EXAM   |
    """)
    assert linked.crowns.height == seated


@pytest.mark.parametrize(("pai", "in_place", "seated"), [("2", "", 2), ("", "true", 1)])
def test_a_crown_after_an_implant_is_of_the_tooth_where_a_film_shows_its_root_since(
    pai: str, in_place: str, seated: int
):
    # That a crown is in place may be said of the crown of an implant too.
    linked = run(
        """
        service_date | tooth_fdi | code
        2015-01-01   | 16        | CROWN
        2016-01-01   | 16        | IMPL
        2018-01-01   | 16        | CROWN
        2020-01-01   |           | EXAM
    """,
        findings=f"""
        tooth_fdi | exam_date  | pai   | crown_in_place
        16        | 2017-01-02 | {pai} | {in_place}
    """,
    )
    assert linked.crowns.height == seated


@pytest.mark.parametrize("code", ["ENDO", "REDO", "APICO", "ROOT"])
def test_what_others_did_on_a_root_contradicts_an_earlier_sign(code: str):
    linked = run(f"""
        service_date | tooth_fdi | code   | status
        2015-01-01   | 16        | CROWN  |
        2016-01-01   | 16        | IMPL   |
        2017-01-02   | 16        | {code} | existing
        2020-01-01   |           | EXAM   |
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | failure_cause | exit_date  | loss_interval_days
        16        |               | 2020-01-01 |
    """,
    )
    assert linked.counts["signs_of_loss_contradicted"] == 1


@pytest.mark.parametrize(("code", "cause"), [("OFF", "removed"), ("CROWN", "replaced")])
def test_what_others_did_to_a_crown_contradicts_an_earlier_sign(code: str, cause: str):
    linked = run(f"""
        service_date | tooth_fdi | code   | status
        2015-01-01   | 16        | CROWN  |
        2016-01-01   | 16        | PONT   |
        2017-01-02   | 16        | {code} | existing
        2020-01-01   |           | EXAM   |
    """)
    assert linked.crowns.select("failure_cause", linked.crowns["exit_date"].cast(str)).row(0) == (cause, "2017-01-02")
    assert linked.counts["signs_of_loss_contradicted"] == 1


def test_a_sign_counts_to_the_end_of_follow_up_and_of_teeth_never_treated_nothing_contradicts_it():
    # p1: charted as missing on the recorded last contact; p2: a day later, which nobody here can have seen.
    # 17: a pontic where no tooth was ever treated. p3: never seen here, so that nothing was lost between visits.
    linked = run(
        """
        patient_id | service_date | tooth_fdi | code  | status
        p1         | 2015-01-01   | 16        | CROWN |
        p1         | 2016-01-01   | 16        | GONE  | existing
        p2         | 2015-01-01   | 16        | CROWN |
        p2         | 2016-01-02   | 16        | GONE  | existing
        p2         | 2015-01-01   | 17        | PONT  |
        p3         | 2016-01-01   | 16        | GONE  | existing
        z          | 2020-01-01   |           | EXAM  |
        """,
        patients="""
        patient_id | last_contact_date
        p1         | 2016-01-01
        p2         | 2016-01-01
        """,
    )
    assert_crowns(
        linked,
        """
        patient_id | failure_cause | exit_date  | loss_interval_days
        p1         | extracted     | 2015-07-02 | 365
        p2         |               | 2016-01-01 |
    """,
    )
    assert linked.counts["signs_of_loss_contradicted"] == 0
    assert linked.counts["teeth_lost_between_visits"] == 2


def test_an_extraction_on_record_stands_before_any_sign():
    linked = run("""
        service_date | tooth_fdi | code  | reason
        2015-01-01   | 16        | CROWN |
        2017-03-01   | 16        | OUT   | caries
        2018-01-01   | 16        | IMPL  |
    """)
    assert_crowns(
        linked,
        """
        failure_cause | exit_date  | loss_reason | loss_interval_days
        extracted     | 2017-03-01 | caries      |
    """,
    )


def test_a_tooth_taken_out_and_put_back_on_one_day_was_not_lost():
    # 16: that day; rows after it stand. 26: put back the day after, on a tooth that was gone: that row is set aside.
    linked = run("""
        service_date | tooth_fdi | code
        2015-01-01   | 16        | CROWN
        2017-01-01   | 16        | OUT
        2017-01-01   | 16        | BACK
        2018-01-01   | 16        | ENDO
        2015-01-01   | 26        | CROWN
        2017-01-01   | 26        | OUT
        2017-01-02   | 26        | BACK
        2020-01-01   |           | EXAM
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | endo_timing   | failure_cause | exit_date
        16        | through_crown |               | 2020-01-01
        26        | vital         | extracted     | 2017-01-01
    """,
    )
    assert linked.set_aside["row_number"].to_list() == [7]
    assert linked.counts["teeth_replanted"] == 1


def test_a_tooth_shown_to_be_gone_on_the_day_from_which_it_is_followed_was_lost_that_day():
    # The crown of others was there in 2012; at the first visit something stands in its place.
    linked = run("""
        service_date | tooth_fdi | code  | status
        2012-01-01   | 16        | CROWN | existing
        2015-01-01   | 16        | DENT  |
        2018-01-01   |           | CLEAN |
    """)
    assert linked.tooth_followup.select("extracted", "followed_to", "end_reason").rows() == [
        (dt.date(2015, 1, 1), dt.date(2015, 1, 1), "failed")
    ]
