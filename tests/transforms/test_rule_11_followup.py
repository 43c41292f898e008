"""Rules 11 and 12: how long a patient is followed, and from when a crown is."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest
from drawn import frame
from linking import assert_crowns, run

from pipeline.transforms.failures import end_followup

CONTACTS = """
        patient_id | service_date | tooth_fdi | code   | status   | fee
        a          | 2015-01-01   | 16        | CROWN  |          | 900
        a          | 2016-01-01   |           | CLEAN  |          | 50
        b          | 2015-01-01   | 16        | CROWN  |          | 900
        b          | 2016-01-01   |           | MISSED |          | 30
        b          | 2016-02-01   |           | PAID   |          | -900
        c          | 2015-01-01   | 16        | CROWN  |          | 900
        c          | 2016-01-01   | 16        | CROWN  |          | -900
        d          | 2015-01-01   | 16        | CROWN  |          | 900
        d          | 2015-06-01   | 36        | FILL   |          | 90
        d          | 2015-07-01   | 36        | FILL   |          | -90
        e          | 2015-01-01   | 16        | CROWN  |          | 900
        e          | 2016-01-01   | 16        | CROWN  | planned  | 900
        e          | 2016-02-01   |           | EXAM   | void     | 50
        f          | 2015-01-01   | 16        | CROWN  |          | 900
        f          | 2016-01-01   | 26        | CROWN  | existing |
        g          | 2015-01-01   | 16        | CROWN  |          | 900
        z          | 2020-01-01   |           | EXAM   |          | 50
"""


def test_what_is_a_contact_and_what_is_none():
    # a: any completed row. b: a missed appointment, a payment. c: a late refund. d: a row taken back, and its refund. e: planned
    # and void rows. f: what others did. g: a finding.
    linked = run(CONTACTS, findings="patient_id | tooth_fdi | exam_date\ng | 36 | 2016-01-01")
    own = linked.crowns.filter(~linked.crowns["done_elsewhere"])
    ends = {p: "2016-01-01" if p in "ag" else "2015-01-01" for p in "abcdefg"}
    assert dict(own.select("patient_id", own["exit_date"].dt.to_string()).rows()) == ends
    # Of the patients themselves; z has no tooth that is followed, and what f has was made by others.
    of_patients = linked.patient_followup
    found = dict(of_patients.select("patient_id", of_patients["followed_to"].dt.to_string()).rows())
    assert found == ends
    assert set(own["exit_reason"]) == {"last_contact"}


def test_a_failure_on_the_last_day_counts():
    linked = run("""
        patient_id | service_date | tooth_fdi | code
        p1         | 2015-01-01   | 16        | CROWN
        p1         | 2018-01-01   | 16        | OUT
        p2         | 2020-01-01   |           | EXAM
    """)
    assert_crowns(
        linked,
        """
        failure | exit_date  | exit_reason
        true    | 2018-01-01 | failed
    """,
    )


ELSEWHERE_LATER = """
        patient_id | service_date | tooth_fdi | code  | status
        p1         | 2015-01-01   | 16        | CROWN |
        p1         | 2016-01-01   |           | EXAM  |
        p1         | 2017-01-01   | 16        | OUT   | existing
        p2         | 2015-01-01   | 16        | CROWN |
        p2         | 2017-01-01   | 16        | ENDO  | existing
        p3         | 2015-01-01   | 16        | CROWN |
        p3         | 2018-01-01   | 16        | OUT   | existing
        p4         | 2014-12-01   | 16        | ENDO  |
        p4         | 2015-01-01   | 16        | CROWN |
        p4         | 2017-01-01   | 16        | REDO  | existing
        z          | 2020-01-01   |           | EXAM  |
"""


def test_events_elsewhere_after_the_last_contact_count_in_one_way_only():
    # p3 died before the extraction that is told of.
    people = "patient_id | deceased_date\np3 | 2017-06-01"
    assert_crowns(
        run(ELSEWHERE_LATER, patients=people),
        """
        patient_id | endo_timing | failure | failure_cause | failure_elsewhere | exit_date  | exit_reason
        p1         | vital       | false   |               | false             | 2016-01-01 | last_contact
        p2         | vital       | false   |               | false             | 2015-01-01 | last_contact
        p3         | vital       | false   |               | false             | 2015-01-01 | last_contact
        p4         | before_seat | false   |               | false             | 2015-01-01 | last_contact
    """,
    )
    counted = run(ELSEWHERE_LATER, patients=people, count_after_last_contact=True)
    assert_crowns(
        counted,
        """
        patient_id | endo_timing | failure | failure_cause | failure_elsewhere | exit_date  | exit_reason
        p1         | vital       | true    | extracted     | true              | 2017-01-01 | failed
        p2         | vital       | false   |               | false             | 2015-01-01 | last_contact
        p3         | vital       | false   |               | false             | 2015-01-01 | last_contact
        p4         | before_seat | false   |               | false             | 2015-01-01 | last_contact
    """,
    )
    assert counted.endo_courses.filter(~counted.endo_courses["done_elsewhere"])["failure_cause"].to_list() == [
        "retreatment"
    ]


def test_what_was_done_here_counts_to_the_last_contact_in_every_way():
    # The onlay was posted at its preparation, on the last visit: its derived seat, which ends the crown, is later.
    linked = run(
        """
        patient_id | service_date | tooth_fdi | code
        p1         | 2015-01-01   | 16        | CROWN
        p1         | 2015-01-22   | 16        | ONLAY
        z          | 2020-01-01   |           | EXAM
        """,
        posted_at_prep=True,
        lab_days=21,
        count_after_last_contact=True,
    )
    assert_crowns(
        linked,
        """
        crown_kind | failure | exit_date  | exit_reason
        single     | false   | 2015-01-22 | last_contact
        onlay      | false   | 2015-02-12 | last_contact
    """,
    )


def test_a_tooth_whose_patient_has_no_known_end_stays_and_is_not_followed():
    teeth = frame(
        """
        patient_id | tooth_fdi | since      | failed     | failure_cause | failure_elsewhere | loss_reason | end_at
        p1         | 16        | 2015-01-01 | 2017-01-01 | surgery       | false             |             |
        p2         | 16        | 2015-01-01 | 2017-01-01 | surgery       | false             |             |
        """
    ).with_columns(loss_interval_days=None)
    ends = frame(
        """
        patient_id | followup_end | end_reason | counted_to
        p1         | 2018-01-01   | cutoff     | 2018-01-01
        """
    )
    closed = end_followup(teeth, ends, start="since", after_last_contact=False)
    assert closed.select("patient_id", pl.col("exit_date").cast(pl.String), "failure").rows() == [
        ("p1", "2017-01-01", True),
        ("p2", "2015-01-01", False),
    ]


@pytest.mark.parametrize(
    ("followed", "ends"),
    [
        ("last_contact", ["2018-07-02", "2018-07-01", "2018-08-01"]),
        ("active", ["2020-01-01", "2018-07-01", "2019-06-01"]),
        ("cutoff", ["2020-01-01", "2020-01-01", "2019-06-01"]),
    ],
)
def test_patients_seen_lately_are_followed_to_the_last_day_in_one_way(followed: str, ends: list[str]):
    # p1 was last seen 548 days before the last day of the data, p2 549 days. p3 died.
    linked = run(
        """
        patient_id | service_date | tooth_fdi | code
        p1         | 2015-01-01   | 16        | CROWN
        p1         | 2018-07-02   |           | EXAM
        p2         | 2015-01-01   | 16        | CROWN
        p2         | 2018-07-01   |           | EXAM
        p3         | 2015-01-01   | 16        | CROWN
        p3         | 2018-08-01   |           | EXAM
        z          | 2020-01-01   |           | EXAM
        """,
        patients="patient_id | deceased_date\np3 | 2019-06-01",
        followed=followed,
    )
    assert linked.crowns["exit_date"].cast(str).to_list() == ends
    reasons = {"2020-01-01": "cutoff", "2019-06-01": "death"}
    assert linked.crowns["exit_reason"].to_list() == [reasons.get(end, "last_contact") for end in ends]


def test_the_cut_off_is_the_latest_date_in_the_data_unless_it_is_set():
    ledger = """
        patient_id | service_date | tooth_fdi | code  | status
        p1         | 2015-01-01   | 16        | CROWN |
        p2         | 2018-01-01   |           | EXAM  |
        p2         | 2030-01-01   | 16        | CROWN | planned
    """
    assert run(ledger).cutoff == dt.date(2018, 1, 1)
    assert run(ledger, patients="patient_id | last_contact_date\np1 | 2019-01-01").cutoff == dt.date(2019, 1, 1)
    assert run(ledger, findings="tooth_fdi | exam_date\n16 | 2019-02-02").cutoff == dt.date(2019, 2, 2)
    assert run(ledger, data_cutoff=dt.date(2016, 1, 1)).cutoff == dt.date(2016, 1, 1)


def test_a_crown_seated_before_the_records_begin_enters_late():
    # The records begin with the first completed row, on 2015-01-05.
    linked = run(
        """
        patient_id | service_date | tooth_fdi | code
        p1         | 2015-01-05   | 16        | CROWN
        p1         | 2018-01-01   |           | EXAM
        p2         | 2015-01-05   | 16        | CROWN
        p2         | 2018-01-01   |           | EXAM
        """,
        details="""
        patient_id | tooth_fdi | seat_date
        p1         | 16        | 2014-12-20
        p2         | 16        | 2015-01-20
        """,
    )
    assert_crowns(
        linked,
        """
        patient_id | seat_date  | entry_date
        p1         | 2014-12-20 | 2015-01-05
        p2         | 2015-01-20 | 2015-01-20
    """,
    )
