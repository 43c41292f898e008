"""The comparisons of every run: one table of the questions, the rows that each is asked of, and how it is answered."""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import polars as pl

from pipeline.practice.outcomes import Outcome
from pipeline.questions.analysis import Analysis
from pipeline.questions.crown_after_opening import compare_since_opening, opened_rows
from pipeline.questions.crown_longevity import compare_since_seat
from pipeline.questions.crown_rows import crown_rows, crowns_from_opening, own_courses, own_crowns, state_spells
from pipeline.questions.endo_outcomes import (
    EndoTeeth,
    compare_delay,
    compare_teeth,
    crown_spells_of_teeth,
    endo_teeth,
    landmark_rows,
)
from pipeline.questions.question import (
    FREE_BY_CROWN,
    KEPT_BY_CROWN,
    KEPT_BY_DELAY,
    LANDMARK_DAYS,
    SINCE_OPENING,
    SINCE_SEAT,
    SOON_DAYS,
    Question,
)
from pipeline.results import Comparison


@dataclass(frozen=True, eq=False)
class LinkedTables:
    """The linked tables that comparisons are made of, as declared in `pipeline.practice.tables`.

    Every crown and every course, of whatever kind and whoever made it: which of them a question counts is said here, so
    that what is compared, given for pooling and shared is counted of the same teeth.
    """

    every_crown: pl.DataFrame
    every_course: pl.DataFrame
    teeth: pl.DataFrame
    patients: pl.DataFrame
    _followed: dict[Outcome, EndoTeeth] = field(default_factory=dict, init=False)

    @cached_property
    def crowns(self) -> pl.DataFrame:
        """The crowns of figures since the seat."""
        return own_crowns(self.every_crown)

    @cached_property
    def from_opening(self) -> pl.DataFrame:
        """The crowns of figures since the opening."""
        return crowns_from_opening(self.every_crown)

    @cached_property
    def courses(self) -> pl.DataFrame:
        """The root canals done here."""
        return own_courses(self.every_course)

    def root_filled(self, outcome: Outcome) -> EndoTeeth:
        """The root-filled teeth followed to an outcome, made once."""
        if outcome not in self._followed:
            made = endo_teeth(self.courses, self.teeth, self.every_crown, self.patients, outcome=outcome)
            self._followed[outcome] = made
        return self._followed[outcome]

    def has(self, question: Question) -> bool:
        """Whether there is anything to ask a question of."""
        if question.outcome.population.name == "crowns":
            return self.crowns["seat_date"].count() > 0
        return self.courses["completed"].count() > 0


@dataclass(frozen=True)
class Asking:
    """A question with the rows that it is asked of, one a tooth and state, and its answer."""

    question: Question
    rows: Callable[[LinkedTables], pl.DataFrame]
    answer: Callable[[LinkedTables, Analysis], Comparison]


def _by_crown(question: Question) -> Asking:
    return Asking(
        question,
        lambda r: crown_spells_of_teeth(r.root_filled(question.outcome).rows),
        lambda r, analysis: compare_teeth(question, r.root_filled(question.outcome), analysis),
    )


# In the order of results: the main comparison first.
QUESTIONS = (
    Asking(
        SINCE_SEAT,
        lambda r: state_spells(crown_rows(r.crowns, r.patients)),
        lambda r, analysis: compare_since_seat(r.crowns, r.patients, analysis),
    ),
    Asking(
        SINCE_OPENING,
        lambda r: opened_rows(r.from_opening, r.patients),
        lambda r, analysis: compare_since_opening(r.from_opening, r.patients, analysis),
    ),
    _by_crown(KEPT_BY_CROWN),
    _by_crown(FREE_BY_CROWN),
    Asking(
        KEPT_BY_DELAY,
        lambda r: landmark_rows(
            r.root_filled(KEPT_BY_DELAY.outcome).rows, landmark_days=LANDMARK_DAYS, soon_days=SOON_DAYS
        ),
        lambda r, analysis: compare_delay(r.root_filled(KEPT_BY_DELAY.outcome), analysis),
    ),
)
