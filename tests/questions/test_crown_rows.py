"""Crowns become states on the clock since the seat: an opening counts from its own day."""

import polars as pl
from drawn import frame
from polars.testing import assert_frame_equal

from pipeline.practice.tables import PATIENTS
from pipeline.questions.crown_rows import (
    crown_rows,
    crowns_from_opening,
    first_of_tooth,
    own_courses,
    own_crowns,
    state_spells,
)

CROWNS = frame("""
    crown_id | patient_id | seat_date  | entry_date | access_date | exit_date  | failure | endo_timing
    C1       | p1         | 2020-01-01 | 2020-01-01 |             | 2020-01-31 | true    | before_seat
    C2       | p1         | 2020-01-01 | 2020-01-01 | 2020-01-11  | 2020-01-31 | true    | through_crown
    C3       | p2         | 2020-01-01 | 2020-01-21 | 2020-01-11  | 2020-01-31 | false   | through_crown
    C4       | p2         | 2020-01-01 | 2020-01-01 | 2020-01-31  | 2020-01-31 | false   | through_crown
    C5       | p3         |            | 2020-01-01 |             | 2020-01-31 | false   | vital
    C6       | p3         | 2020-01-01 | 2020-01-01 |             | 2020-01-01 | true    | vital
""")
PEOPLE = pl.DataFrame(
    {
        "patient_id": ["p1", "p2"],
        "birth_date": [None, None],
        "birth_year": [1970, None],
        "sex": ["female", None],
    },
    schema_overrides={"birth_date": pl.Date, "birth_year": pl.Int32},
)
PEOPLE = PEOPLE.with_columns(
    pl.lit(None, dtype).alias(name) for name, dtype in PATIENTS.schema.items() if name not in PEOPLE.columns
)


def test_an_opened_crown_is_vital_until_that_day():
    # C3 was opened before it was first seen here; C4 on its last day; C5 has no seat date; C6 failed at the seat.
    spells = state_spells(crown_rows(CROWNS, PEOPLE))
    expected = frame("""
        crown_id | state         | entry_days | exit_days | event
        C1       | before_seat   | 0          | 30        | true
        C2       | vital         | 0          | 10        | false
        C2       | through_crown | 10         | 30        | true
        C3       | through_crown | 20         | 30        | false
        C4       | vital         | 0          | 30        | false
        C6       | vital         | 0          | 0         | true
    """)
    assert_frame_equal(spells.select(expected.columns), expected)


def test_time_and_failures_are_kept_whole():
    rows = crown_rows(CROWNS, PEOPLE)
    spells = state_spells(rows)
    assert spells["event"].sum() == rows["failure"].sum()
    days = (spells["exit_days"] - spells["entry_days"]).sum()
    assert days == (rows["exit_days"] - rows["entry_days"]).sum()


def test_age_from_a_birth_year_is_taken_at_mid_year():
    rows = crown_rows(CROWNS, PEOPLE)
    # 1 July 1970 to 1 January 2020 is 18,081 days.
    assert rows["age_at_seat"].to_list() == [18081 / 365.25] * 2 + [None] * 3


def test_a_seat_year_counts_its_days_from_new_year():
    rows = crown_rows(
        CROWNS.head(2).with_columns(seat_date=pl.Series(["2020-01-01", "2021-07-02"]).str.to_date()), PEOPLE
    )
    # 2 July is the 183rd day of 2021, so 182 days lie before it.
    assert rows["seat_year"].to_list() == [2020, 2021 + 182 / 365.25]


def test_the_edges_of_the_states():
    # C1 opened on the day of the seat; C2 of unknown order; C3 seen first and last on day 1, C4 on the day of the seat;
    # C5 opened on the day on which it was first seen, a day after the seat; C6 opened on the day on which it failed.
    edges = frame("""
        crown_id | patient_id | seat_date  | entry_date | access_date | exit_date  | failure | endo_timing
        C1       | p1         | 2020-01-01 | 2020-01-01 | 2020-01-01  | 2020-01-31 | true    | through_crown
        C2       | p1         | 2020-01-01 | 2020-01-01 |             | 2020-01-31 | true    |
        C3       | p1         | 2020-01-01 | 2020-01-02 |             | 2020-01-02 | true    | vital
        C4       | p1         | 2020-01-01 | 2020-01-01 |             | 2020-01-01 | false   | before_seat
        C5       | p1         | 2020-01-01 | 2020-01-02 | 2020-01-02  | 2020-01-31 | false   | through_crown
        C6       | p1         | 2020-01-01 | 2020-01-01 | 2020-01-31  | 2020-01-31 | true    | through_crown
    """)
    expected = frame("""
        crown_id | state         | entry_days | exit_days | event
        C1       | through_crown | 0          | 30        | true
        C4       | before_seat   | 0          | 0         | false
        C5       | through_crown | 1          | 30        | false
        C6       | vital         | 0          | 30        | true
    """)
    spells = state_spells(crown_rows(edges, PEOPLE))
    assert_frame_equal(spells.select(expected.columns), expected)


def test_whose_crowns_and_courses_are_counted():
    crowns = frame("""
        crown_id | crown_kind | done_elsewhere | seat_date
        C1       | single     | false          | 2020-01-01
        C2       | single     | false          |
        C3       | single     | true           | 2020-01-01
        C4       | single     | true           |
        C5       | retainer   | false          | 2020-01-01
        C6       | retainer   | true           |
    """)
    assert own_crowns(crowns)["crown_id"].to_list() == ["C1", "C2"]
    # A single crown of unknown age was made elsewhere as far as is known; what starts at the opening can use it.
    assert crowns_from_opening(crowns)["crown_id"].to_list() == ["C1", "C2", "C4"]
    courses = frame("""
        course_id | done_elsewhere
        E1        | false
        E2        | true
    """)
    assert own_courses(courses)["course_id"].to_list() == ["E1"]


def test_the_first_of_a_tooth_is_that_of_the_earliest_day_and_of_one_day_of_the_first_number():
    rows = frame("""
        patient_id | tooth_fdi | crown_id | seat_date
        p1         | 16        | C3       | 2019-01-01
        p1         | 16        | C2       | 2018-01-01
        p1         | 16        | C1       | 2018-01-01
        p1         | 26        | C4       | 2017-01-01
        p2         | 16        | C5       | 2020-01-01
    """)
    for told in (rows, rows.reverse()):
        assert first_of_tooth(told, "seat_date", "crown_id")["crown_id"].to_list() == ["C4", "C1", "C5"]
