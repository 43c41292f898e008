"""Outcomes by hand: when a tooth is lost, a crown first needs a repair, and who is followed at all."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest
from drawn import frame

from pipeline.practice import outcomes
from pipeline.practice.outcomes import (
    COMPLICATION,
    CROWN_FAILURE,
    CROWNED_TOOTH_LOSS,
    CROWNS,
    ENDO_FAILURE,
    ENDO_NEEDED,
    NOT_HEALED,
    TOOTH_LOSS,
    is_outcome,
    outcome,
)


def followup(text: str) -> pl.DataFrame:
    """Rows of `tooth_followup`."""
    return frame(text).with_columns(pl.col("followed_to").cast(pl.String).str.to_date())


# E1 is retreated and its tooth kept, E2 lost on the day it was completed, E3 completed after its tooth was last seen,
# E4 completed after the loss on record; p2 has the tooth of E1 too, and lost it.
COURSES = frame("""
    course_id | patient_id | tooth_fdi | completed  | exit_date  | failure | exit_reason
    E1        | p1         | 16        | 2020-01-01 | 2020-04-10 | true    | failed
    E2        | p1         | 26        | 2020-01-01 | 2020-01-01 | true    | failed
    E3        | p1         | 36        | 2020-01-01 | 2020-01-01 | false   | last_contact
    E4        | p1         | 46        | 2020-01-01 | 2020-01-01 | false   | last_contact
    E5        | p2         | 16        | 2020-01-01 | 2020-06-01 | true    | failed
""")
TEETH = followup("""
    patient_id | tooth_fdi | followed_to | end_reason   | extracted
    p2         | 16        | 2020-06-01  | failed       | 2020-06-01
    p1         | 16        | 2021-01-01  | cutoff       |
    p1         | 26        | 2020-01-01  | failed       | 2020-01-01
    p1         | 36        | 2019-12-01  | last_contact |
    p1         | 46        | 2019-12-31  | failed       | 2019-12-31
""").with_columns(tooth_fdi=pl.col("tooth_fdi").cast(COURSES.schema["tooth_fdi"]))


def test_a_tooth_is_followed_until_its_loss_whatever_else_was_done() -> None:
    found = TOOTH_LOSS.ended(COURSES, TEETH).select("course_id", "exit_date", "failure", "exit_reason")
    assert found.rows() == [
        ("E1", dt.date(2021, 1, 1), False, "cutoff"),
        ("E2", dt.date(2020, 1, 1), True, "failed"),
        ("E3", dt.date(2020, 1, 1), False, "last_contact"),
        ("E4", dt.date(2020, 1, 1), False, "failed"),
        ("E5", dt.date(2020, 6, 1), True, "failed"),
    ]
    assert ENDO_FAILURE.ended(COURSES, TEETH).equals(COURSES)


def test_the_first_repair_of_a_crown_in_place_is_its_complication() -> None:
    crowns = frame("""
        crown_id | exit_date  | failure | exit_reason  | first_complication_date
        C1       | 2020-06-01 | true    | failed       | 2020-03-01
        C2       | 2020-06-01 | false   | last_contact | 2020-06-01
        C3       | 2020-06-01 | true    | failed       |
        C4       | 2020-06-01 | true    | failed       | 2020-06-02
    """)
    assert COMPLICATION.ended(crowns, TEETH).select("crown_id", "exit_date", "failure").rows() == [
        ("C1", dt.date(2020, 3, 1), True),
        ("C2", dt.date(2020, 6, 1), True),
        ("C3", dt.date(2020, 6, 1), False),
        ("C4", dt.date(2020, 6, 1), False),
    ]


def test_who_is_followed_and_for_how_many_days() -> None:
    # Not seen again after the seat: followed for no day, and still one of the crowns. First seen later and never after
    # that: not followed. Without a seat there is no clock.
    crowns = frame("""
        crown_id | seat_date  | entry_date | exit_date  | failure
        C1       | 2020-01-01 | 2020-01-01 | 2020-01-01 | false
        C2       | 2020-01-01 | 2020-01-02 | 2020-01-02 | false
        C3       | 2020-01-01 | 2020-01-02 | 2020-01-03 | true
        C4       |            | 2020-01-01 | 2020-01-03 | true
        C5       | 2020-01-03 | 2020-01-01 | 2020-01-13 | true
    """)
    days = ("crown_id", "entry_days", "exit_days")
    assert CROWNS.timed(crowns).select(days).rows() == [("C1", 0, 0), ("C3", 1, 2), ("C5", -2, 10)]
    # What others seated is no figure of this practice.
    spells = CROWN_FAILURE.spells(crowns, TEETH)
    assert spells.select(*days, "event").rows() == [("C1", 0, 0, False), ("C5", -2, 10, True)]


@pytest.mark.parametrize("made_by_its_question", [NOT_HEALED, ENDO_NEEDED])
def test_an_outcome_whose_question_makes_the_rows_has_none(made_by_its_question: outcomes.Outcome) -> None:
    with pytest.raises(ValueError, match="no rows of its own"):
        made_by_its_question.ended(COURSES, TEETH)


def test_an_outcome_is_known_by_its_id_that_of_its_share_and_as_it_is_asked() -> None:
    known = {
        CROWN_FAILURE: ("crown_failure", "crown_survival"),
        COMPLICATION: ("complication",),
        ENDO_FAILURE: ("endo_failure", "endo_free_of_intervention", "endo_intervention"),
        # Asked of crowns it is another outcome; by an id alone it is the loss of a root-filled tooth.
        TOOTH_LOSS: ("tooth_loss", "endo_tooth_survival"),
        CROWNED_TOOTH_LOSS: ("crowned_tooth_loss",),
        NOT_HEALED: ("radiographic_success",),
        ENDO_NEEDED: ("endo_needed",),
    }
    assert {one: tuple(name for name in names if is_outcome(name)) for one, names in known.items()} == known
    assert all(outcome(name) is one for one, names in known.items() for name in names)
    assert not is_outcome("survival")
    assert outcomes.ASKED == ("crown_failure", "complication", "endo_intervention", "tooth_loss")
    assert outcomes.RATES == (CROWN_FAILURE, TOOTH_LOSS, ENDO_FAILURE)


def test_an_outcome_with_a_rate_has_all_words_of_its_tables() -> None:
    for one in outcomes.RATES:
        words = (one.event, one.rate_title, one.rate_name, one.rate_kept)
        assert all(words), one.id
