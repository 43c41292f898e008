"""Technique questions asked of the stored tables."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.questions.crown_longevity import Analysis
from pipeline.results import Comparison, NotRun
from pipeline.results_learning import Learning
from pipeline.results_planning import Plan
from pipeline.results_technique import TechniqueAnswer
from pipeline.techniques.engine import answer_all
from pipeline.techniques.family import main_p
from pipeline.techniques.learning import learning_questions
from pipeline.techniques.question import COURSE_OUTCOMES, CROWN_FAILURE, all_questions
from pipeline.techniques.rows import rows_of_courses, rows_of_crowns

UNITS = ("crown", "course", "every_course")


@dataclass(frozen=True)
class Techniques:
    """All technique questions: answers, who took up what, and what could not be asked."""

    answers: tuple[TechniqueAnswer, ...]
    learning: tuple[Learning, ...]
    not_run: tuple[NotRun, ...]
    main_p_family: float | None = None
    plans: tuple[Plan, ...] = ()


def answer_techniques(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    teeth: pl.DataFrame,
    inputs: Mapping[str, pl.DataFrame],
    analysis: Analysis,
    *,
    rules: Mapping[str, str],
    main: Comparison | None = None,
) -> Techniques:
    """Every question, of the tables `crowns`, `endo_courses`, `tooth_followup` and the input tables by name.

    `rules` holds `course_gap_days`, `crown_repost_days` (whole days) and `recall_months` as text. The main comparison
    counts among the looks; what then becomes of it is for `family.in_family` to say, by `main_p_family`.
    """
    rows = rows_by_outcome(crowns, courses, teeth, inputs, rules=rules)
    taken = learning_questions(all_questions(), rows, analysis)
    found = answer_all(all_questions(), rows, analysis, more=taken.asked, main=main_p(main, analysis))
    not_run = found.not_run
    if taken.lacking:
        needs = (f"endo_details.instrumentation: {taken.lacking}",)
        not_run += (NotRun("technique_learning", "Learning curves", needs),)
    return Techniques(found.answers, taken.learning, not_run, found.main_p_family, found.plans)


def rows_by_outcome(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    teeth: pl.DataFrame,
    inputs: Mapping[str, pl.DataFrame],
    *,
    rules: Mapping[str, str],
    only: Sequence[str] = UNITS,
) -> dict[tuple[str, str], pl.DataFrame]:
    """The rows that questions are asked of, by unit and outcome; tables and `rules` as in `answer_techniques`."""
    rows = {}
    if "crown" in only:
        rows["crown", CROWN_FAILURE] = rows_of_crowns(
            crowns, inputs["crown_details"], inputs["patients"], tolerance_days=int(rules["crown_repost_days"])
        )
    for unit, outcome in itertools.product((u for u in only if u != "crown"), COURSE_OUTCOMES):
        rows[unit, outcome] = rows_of_courses(
            courses,
            teeth,
            inputs["endo_details"],
            inputs["patients"],
            outcome=outcome,
            gap_days=int(rules["course_gap_days"]),
            findings=inputs["findings"],
            recall_months=int(rules["recall_months"]),
            every=unit == "every_course",
        )
    return rows
