from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from pipeline.practice.tables import ENDO_COURSES, FINDINGS, PATIENTS, TOOTH_FOLLOWUP
from pipeline.reading.worksheets.recall_list import due_reviews, last_contacts
from tests.drawn import frame, table

ON = dt.date(2021, 3, 1)


def seen(*rows: tuple[str, str | None, str | None]) -> pl.DataFrame:
    frame = pl.DataFrame(list(rows), schema=["patient_id", "last_seen", "deceased_date"], orient="row")
    return frame.with_columns(pl.col("last_seen", "deceased_date").cast(pl.String).str.to_date())


def followed(text: str) -> pl.DataFrame:
    drawn = frame(text, patient_id="p1").with_columns(pl.col("followed_to").str.to_date())
    absent = (pl.lit(None, t).alias(n) for n, t in TOOTH_FOLLOWUP.schema.items() if n not in drawn.columns)
    return drawn.with_columns(absent).select(*TOOTH_FOLLOWUP.columns)


def course(completed: str, course_id: str = "c") -> pl.DataFrame:
    return table(
        f"""
        course_id   | tooth_fdi | started     | completed   | provider_id
        {course_id} | 16        | {completed} | {completed} | A
        """,
        ENDO_COURSES,
    )


STANDING = followed("""
    tooth_fdi | followed_to | end_reason
    16        | 2021-02-01  | last_contact
""")
NO_EXAM = FINDINGS.empty()
ALIVE = seen(("p1", "2021-02-01", None))


def reviews(
    courses: pl.DataFrame,
    findings: pl.DataFrame = NO_EXAM,
    teeth: pl.DataFrame = STANDING,
    last_seen: pl.DataFrame = ALIVE,
    on: dt.date = ON,
) -> list[tuple[object, ...]]:
    found = due_reviews(courses, findings, teeth, last_seen, on=on)
    return found.select("course_id", "review_months", "not_seen_for_long").rows()


@pytest.mark.parametrize(
    ("completed", "months"),
    [
        ("2020-03-02", []),  # a year tomorrow
        ("2020-03-01", [12]),  # a year today
        ("2019-09-02", [12]),  # the last day of its window
        ("2019-09-01", []),
        ("2017-03-02", []),
        ("2017-03-01", [48]),
        ("2016-09-02", [48]),
        ("2016-09-01", []),
        ("2021-03-02", []),  # not done yet
    ],
)
def test_a_review_is_due_from_its_day_for_six_months(completed: str, months: list[int]):
    assert [row[1] for row in reviews(course(completed))] == months


def test_the_window_is_told_with_its_last_day():
    row = due_reviews(course("2019-10-31"), NO_EXAM, STANDING, ALIVE, on=ON).row(0, named=True)
    assert (row["due_from"], row["due_until"]) == (dt.date(2020, 10, 31), dt.date(2021, 4, 29))


@pytest.mark.parametrize(
    ("exam", "due"),
    [("2020-02-29", True), ("2020-03-01", False), ("2021-03-01", False), ("2021-03-02", True)],
)
def test_an_examination_since_it_fell_due_takes_it_off(exam: str, due: bool):
    # Completed on 1 March 2019 plus a window of two years, seen on 1 March 2021.
    findings = table(f"tooth_fdi | exam_date\n 16 | {exam}", FINDINGS)
    found = due_reviews(course("2019-03-01"), findings, STANDING, ALIVE, on=ON, window_months=25)
    assert (found.height == 1) == due


def test_an_examination_of_another_tooth_does_not():
    findings = table("tooth_fdi | exam_date\n 17 | 2021-02-01", FINDINGS)
    assert len(reviews(course("2020-02-01"), findings)) == 1


def test_lost_teeth_and_dead_patients_are_left_out():
    due = course("2020-02-01")
    lost = followed("tooth_fdi | followed_to | end_reason | extracted\n 16 | 2021-01-01 | failed | 2021-01-01")
    assert reviews(due, teeth=lost) == []
    # On a day before the extraction the tooth was still due.
    assert reviews(course("2019-12-15"), teeth=lost) == []
    assert len(reviews(course("2019-12-15"), teeth=lost, on=dt.date(2020, 12, 31))) == 1
    # An implant was seen in its place: the tooth was followed to a visit before the patient's last.
    between = followed("tooth_fdi | followed_to | end_reason\n 16 | 2020-06-01 | last_contact")
    assert reviews(due, teeth=between) == []
    assert reviews(due, last_seen=seen(("p1", "2020-06-01", "2020-07-01"))) == []


def test_a_later_course_takes_the_place_of_the_earlier():
    both = table(
        """
        course_id | tooth_fdi | started    | completed
        first     | 16        | 2017-02-01 | 2017-02-01
        again     | 16        | 2020-02-01 | 2020-02-01
        """,
        ENDO_COURSES,
    )
    assert [row[:2] for row in reviews(both)] == [("again", 12)]
    never_completed = both.with_columns(completed=pl.lit(None, pl.Date))
    assert reviews(never_completed) == []


@pytest.mark.parametrize(
    ("last", "flagged"), [("2019-09-01", False), ("2019-08-31", True), (None, True), ("2022-01-01", False)]
)
def test_patients_not_seen_for_eighteen_months_are_flagged_not_dropped(last: str | None, flagged: bool):
    teeth = followed("tooth_fdi | followed_to | end_reason\n 16 | 2021-02-01 | cutoff")
    assert reviews(course("2020-02-01"), teeth=teeth, last_seen=seen(("p1", last, None))) == [("c", 12, flagged)]


def test_sorted_by_clinician_then_by_what_ends_first_whatever_the_row_order():
    drawn = table(
        """
        course_id | tooth_fdi | started    | completed  | provider_id
        none      | 11        | 2020-01-01 | 2020-01-01 |
        b         | 12        | 2020-01-01 | 2020-01-01 | B
        a_late    | 13        | 2020-02-01 | 2020-02-01 | A
        a_early   | 14        | 2020-01-01 | 2020-01-01 | A
        """,
        ENDO_COURSES,
    )
    for rows in (drawn, drawn.reverse()):
        assert [row[0] for row in reviews(rows)] == ["a_early", "a_late", "b", "none"]


def test_last_contacts_are_the_ends_of_follow_up():
    ends = frame("""
        patient_id | followed_to
        p1         | 2020-03-01
        p2         | 2020-06-01
    """).with_columns(pl.col("followed_to").cast(pl.String).str.to_date())
    patients = table("patient_id | deceased_date\n p2 | 2020-06-01", PATIENTS)
    found = last_contacts(ends, patients).sort("patient_id")
    assert found.rows() == [("p1", dt.date(2020, 3, 1), None), ("p2", dt.date(2020, 6, 1), dt.date(2020, 6, 1))]
