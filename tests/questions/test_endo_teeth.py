"""Root-filled teeth by hand: which course counts, when the crown counts, and nothing earlier."""

import polars as pl
import pytest
from drawn import frame

from pipeline.practice.outcomes import ENDO_FAILURE, TOOTH_LOSS, Outcome
from pipeline.questions.endo_outcomes import (
    crown_spells_of_teeth,
    days_to_crown,
    endo_teeth,
    ever_crowned,
    landmark_rows,
)

# All complete on 1 January 2021 and are followed for 100 days unless drawn otherwise.
COURSES = frame(
    """
    course_id | patient_id | tooth_fdi | started    | completed  | crown_at_start      | exit_date  | failure
    E1        | p1         | 16        | 2020-12-20 | 2021-01-01 | none                | 2021-04-11 | false
    E2        | p2         | 16        | 2020-12-20 | 2021-01-01 | none                | 2021-01-31 | true
    E3        | p2         | 16        | 2021-01-31 | 2021-02-10 | none                | 2021-04-11 | true
    E4        | p3         | 16        | 2020-12-20 | 2021-01-01 | none                | 2021-04-11 | true
    E5        | p4         | 16        | 2020-12-20 | 2021-01-01 | crowned             | 2021-04-11 | true
    E6        | p5         | 16        | 2020-12-20 | 2021-01-01 | crowned_unknown_age | 2021-04-11 | false
    E7        | p6         | 16        | 2020-12-20 |            | none                | 2021-04-11 | false
    E8        | p7         | 16        | 2020-12-20 | 2021-01-01 | none                | 2021-04-11 | false
    E9        | p8         | 16        | 2020-12-20 | 2021-01-01 | none                | 2021-04-11 | false
    """,
    kind="initial",
    provider_id="ann",
    tooth_group="molar",
    exit_reason="cutoff",
)
TEETH = frame("""
    patient_id | tooth_fdi | followed_to | end_reason   | extracted
    p1         | 16        | 2021-04-11  | cutoff       |
    p2         | 16        | 2021-04-11  | failed       | 2021-04-11
    p3         | 16        | 2021-04-11  | failed       | 2021-04-11
    p4         | 16        | 2021-04-11  | failed       | 2021-04-11
    p5         | 16        | 2021-04-11  | cutoff       |
    p6         | 16        | 2021-04-11  | cutoff       |
    p7         | 16        | 2021-04-11  | cutoff       |
    p8         | 16        | 2021-04-11  | last_contact |
""").with_columns(pl.col("tooth_fdi").cast(pl.UInt8), pl.col("followed_to").cast(pl.String).str.to_date(strict=True))
# p1: a crown after 30 days and its replacement. p2: after the retreatment, day 50. p3: on the day the tooth is lost.
# p7: during the course. p8: from elsewhere, first seen on day 60, never recorded before.
CROWNS = frame("""
    crown_id | patient_id | tooth_fdi | seat_date  | entry_date
    C1       | p1         | 16        | 2021-01-31 | 2021-01-31
    C2       | p1         | 16        | 2021-03-01 | 2021-03-01
    C3       | p2         | 16        | 2021-02-20 | 2021-02-20
    C4       | p3         | 16        | 2021-04-11 | 2021-04-11
    C5       | p7         | 16        | 2020-12-28 | 2020-12-28
    C6       | p8         | 16        |            | 2021-03-02
    C7       | p1         | 17        | 2021-01-02 | 2021-01-02
""")
PATIENTS = frame("""
    patient_id | birth_date | birth_year | sex  | smoker | diabetes | bruxism
    p1         | 1981-01-01 |            | male | false  |          |
""")


def found(outcome: Outcome = TOOTH_LOSS):
    return endo_teeth(COURSES, TEETH, CROWNS, PATIENTS, outcome=outcome)


def spells(outcome: Outcome = TOOTH_LOSS) -> list[tuple[object, ...]]:
    made = crown_spells_of_teeth(found(outcome).rows)
    return made.select("course_id", "state", "entry_days", "exit_days", "event").rows()


def test_each_tooth_counts_once_and_the_rest_is_counted():
    teeth = found()
    assert teeth.rows["course_id"].to_list() == ["E1", "E2", "E4", "E8", "E9"]
    assert (teeth.courses, teeth.never_completed, teeth.later_courses, teeth.crowned_at_start) == (9, 1, 1, 2)
    assert teeth.rows["age_at_completion"][0] == pytest.approx(40.0, abs=0.01)


def test_a_tooth_is_without_a_crown_until_the_day_of_the_seat():
    assert spells() == [
        ("E1", "not_crowned", 0, 30, False),
        ("E1", "crowned", 30, 100, False),
        # Retreated on day 30, which ends no tooth; crowned on day 50, lost on day 100.
        ("E2", "not_crowned", 0, 50, False),
        ("E2", "crowned", 50, 100, True),
        # Crowned on the day it is lost: lost as a tooth without a crown.
        ("E4", "not_crowned", 0, 100, True),
        # Crowned during the course: crowned throughout.
        ("E8", "crowned", 0, 100, False),
        # The seat is not known: with a crown from the day it was seen.
        ("E9", "not_crowned", 0, 60, False),
        ("E9", "crowned", 60, 100, False),
    ]


def test_free_of_intervention_ends_with_the_retreatment():
    # E2 is retreated on day 30, before its crown.
    assert ("E2", "not_crowned", 0, 30, True) in spells(ENDO_FAILURE)
    assert not [s for s in spells(ENDO_FAILURE) if s[:2] == ("E2", "crowned")]


def test_days_to_crown_are_those_of_crowns_that_came_while_followed():
    # 0, 30, 50 and 60 days; E4's came too late.
    assert days_to_crown(found().rows) == (4, (22.5, 40.0, 52.5))
    assert days_to_crown(found().rows.filter(~ever_crowned())) is None


def test_at_the_landmark_only_what_was_done_by_then_counts():
    # Landmark on day 55: E9's crown comes later, so it is not crowned yet; E1's 30 days are soon, E2's 50 are not.
    made = landmark_rows(found().rows, landmark_days=55, soon_days=30)
    assert made.select("course_id", "state", "entry_days", "exit_days", "event").rows() == [
        ("E1", "crowned_soon", 0, 45, False),
        ("E2", "crowned_later", 0, 45, True),
        ("E4", "not_yet_crowned", 0, 45, True),
        ("E8", "crowned_soon", 0, 45, False),
        ("E9", "not_yet_crowned", 0, 45, False),
    ]
    # A tooth that is gone by the landmark is in no group.
    assert landmark_rows(found(ENDO_FAILURE).rows, landmark_days=55, soon_days=30).height == 4


def test_row_order_changes_nothing():
    turned = endo_teeth(COURSES[::-1], TEETH[::-1], CROWNS[::-1], PATIENTS, outcome=TOOTH_LOSS)
    assert turned.rows.equals(found().rows)
