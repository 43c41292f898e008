"""The comparisons of every run: which they are, of what each is asked, and what stands in where one has no answer."""

from __future__ import annotations

import datetime as dt
import math

import polars as pl
import pytest
from test_endo_teeth import COURSES, CROWNS, PATIENTS, TEETH

from pipeline.practice.outcomes import ENDO_FAILURE, TOOTH_LOSS
from pipeline.practice.tables import CROWNS as DECLARED_CROWNS
from pipeline.questions import comparisons
from pipeline.questions.analysis import Analysis
from pipeline.questions.answer import comparison_of
from pipeline.questions.covariates import Numeric
from pipeline.questions.group_ratios import Ratios
from pipeline.questions.question import COMPARISONS, KEPT_BY_DELAY, OF_CROWNS, OF_TEETH, SINCE_OPENING
from pipeline.questions.steady_ratio import Standing
from pipeline.results import DAYS_PER_YEAR, Difference

DAY = dt.date(2020, 1, 1)
SINGLE = CROWNS.with_columns(crown_kind=pl.lit("single"), done_elsewhere=False)


def linked(*, crowns: pl.DataFrame = SINGLE, courses: pl.DataFrame = COURSES) -> comparisons.LinkedTables:
    return comparisons.LinkedTables(crowns, courses.with_columns(done_elsewhere=False), TEETH, PATIENTS)


def crowns_of(days: pl.Series) -> pl.DataFrame:
    return pl.DataFrame({"seat_date": days}).with_columns(crown_kind=pl.lit("single"), done_elsewhere=False)


def test_what_is_declared_is_asked_in_the_same_order() -> None:
    assert tuple(asking.question for asking in comparisons.QUESTIONS) == COMPARISONS
    assert len({q.id for q in COMPARISONS}) == len(COMPARISONS) == 5


@pytest.mark.parametrize("days", [[], [None], [DAY], [None, DAY]])
def test_there_is_something_to_ask_where_one_tooth_has_its_day(days: list[dt.date | None]) -> None:
    known, none = pl.Series(days, dtype=pl.Date), pl.Series([None], dtype=pl.Date)
    seated = linked(crowns=crowns_of(known), courses=pl.DataFrame({"completed": none}))
    filled = linked(crowns=crowns_of(none), courses=pl.DataFrame({"completed": known}))
    given = DAY in days
    assert [(seated.has(q), filled.has(q)) for q in COMPARISONS] == [(given, False)] * 2 + [(False, given)] * 3


def test_root_filled_teeth_are_made_once_an_outcome() -> None:
    tables = linked()
    lost, failed = tables.root_filled(TOOTH_LOSS), tables.root_filled(ENDO_FAILURE)
    assert tables.root_filled(TOOTH_LOSS) is lost
    # E2 is treated again on day 30 and lost on day 100.
    assert [t.rows.filter(course_id="E2")["exit_days"].to_list() for t in (lost, failed)] == [[100], [30]]


def test_each_question_is_answered_as_itself() -> None:
    nobody = pl.DataFrame(schema=DECLARED_CROWNS.schema)
    for asking in comparisons.QUESTIONS:
        found = asking.answer(linked(crowns=nobody), Analysis())
        assert (found.id, found.outcome, found.clock) == (
            asking.question.id,
            asking.question.outcome.id,
            asking.question.clock,
        )
        states = set(asking.rows(linked(crowns=nobody))["state"])
        assert states == (set() if asking.question.outcome.population.name == "crowns" else states)
        assert states <= set(asking.question.labels)


def test_a_crude_difference_stands_in_for_the_adjusted_one_but_not_since_the_opening() -> None:
    # There it is not even adjusted for the age that the crowns had reached when they were opened.
    crude = Difference("a", "b", 5, 0, 20.0, 10.0, 30.0, "crude")
    made = {
        q.id: comparison_of(
            q, {}, ratios=Ratios(), naive=None, crude=crude, stands=Standing(), flow=(), years=9, analysis=Analysis()
        )
        for q in COMPARISONS
    }
    assert [name for name, found in made.items() if found.difference is None] == [SINCE_OPENING.id]
    assert {found.crude_difference for found in made.values()} == {crude}
    assert {found.verdict.code for found in made.values()} == {"too_early"}


def test_the_landmark_is_half_a_year_and_soon_is_two_months() -> None:
    half = math.ceil(DAYS_PER_YEAR / 2)
    assert list(KEPT_BY_DELAY.labels.values()) == [
        "A crown within 60 days",
        f"A crown after 61 to {half} days",
        f"No crown by day {half}",
    ]


def test_of_teeth_by_delay_no_risk_sets_are_pooled() -> None:
    # Practices may set other days to the landmark, and the curves begin there.
    assert [q.id for q in COMPARISONS if not q.pooled_curves] == [KEPT_BY_DELAY.id]


def test_ages_count_in_tens_and_calendar_years_in_fives() -> None:
    units = {c.name: c.unit for c in (*OF_CROWNS, *OF_TEETH) if isinstance(c, Numeric)}
    assert units == {"age_at_seat": 10, "age_at_completion": 10, "seat_year": 5, "completion_year": 5}
