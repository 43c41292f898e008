"""Technique questions asked of the stored tables."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.covariates import numbered_words
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.engine import answer_all
from pipeline.questions.techniques.learning import learning_questions
from pipeline.questions.techniques.question import COURSE_OUTCOMES, CROWN_FAILURE, TOOTH_LOSS
from pipeline.questions.techniques.rows import (
    choose_courses,
    only_columns,
    rows_of_chosen,
    rows_of_crowns,
    same_numbers,
    source_of,
)
from pipeline.results import NotRun
from pipeline.results.planning import Plan
from pipeline.results.technique import Learning, TechniqueAnswer
from pipeline.transforms.coded_details import Coded, read_from_codes

UNITS = ("crown", "course", "every_course")
READ = ("patients", "crown_details", "endo_details", "findings")
CODED_ROWS = "coded_rows"


@dataclass(frozen=True)
class Techniques:
    """All technique questions: answers, who took up what, and what could not be asked.

    `from_codes` says by field of how many crowns or courses the value is read from procedure codes.
    """

    answers: tuple[TechniqueAnswer, ...]
    learning: tuple[Learning, ...]
    not_run: tuple[NotRun, ...]
    plans: tuple[Plan, ...] = ()
    from_codes: Mapping[str, int] = field(default_factory=dict)


def answer_techniques(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    teeth: pl.DataFrame,
    inputs: Mapping[str, pl.DataFrame],
    analysis: Analysis,
    *,
    rules: Mapping[str, str],
    coded: Coded | None = None,
) -> Techniques:
    """Every question, of the tables `crowns`, `endo_courses`, `tooth_followup` and the input tables by name.

    `rules` holds `course_gap_days`, `crown_repost_days` (whole days), `recall_months` and `uncertain_years` as text.
    `coded` is what procedure codes tell where the tables of details do not.
    """
    questions = all_questions()
    names = {"provider_id", *(q.factor for q in questions), *(c.name for q in questions for c in q.adjust)}
    names |= {q.among.column for q in questions if q.among}
    sources = {source_of(name) for name in names}
    coded = coded or Coded()

    def keep(frame: pl.DataFrame) -> pl.DataFrame:
        return numbered_words(only_columns(frame, names | sources), names)

    numbers = _in_numbers(crowns, courses, teeth, {**inputs, CODED_ROWS: coded.of(crowns)}, words=names)
    read = numbers[3].pop(CODED_ROWS)
    rows = rows_by_outcome(*numbers, rules=rules, keep=keep, coded=replace(coded, rows=read))
    taken = learning_questions(questions, rows, analysis)
    found = answer_all(questions, rows, analysis, more=taken.asked)
    not_run = found.not_run
    if taken.lacking:
        needs = (f"endo_details.instrumentation: {taken.lacking}",)
        not_run += (NotRun("technique_learning", "Learning curves", needs),)
    told = {unit: rows[unit, outcome] for unit, outcome in (("crown", CROWN_FAILURE), ("every_course", TOOTH_LOSS))}
    return Techniques(
        found.answers,
        taken.learning,
        not_run,
        found.plans,
        from_codes=read_from_codes(told),
    )


def rows_by_outcome(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    teeth: pl.DataFrame,
    inputs: Mapping[str, pl.DataFrame],
    *,
    rules: Mapping[str, str],
    only: Sequence[str] = UNITS,
    keep: Callable[[pl.DataFrame], pl.DataFrame] = lambda rows: rows,
    coded: Coded | None = None,
) -> dict[tuple[str, str], pl.DataFrame]:
    """The rows that questions are asked of, by unit and outcome; tables and `rules` as in `answer_techniques`.

    `keep` says what becomes of each frame of rows before the next is made.
    """
    rows = {}
    if "crown" in only:
        rows["crown", CROWN_FAILURE] = keep(
            rows_of_crowns(
                crowns,
                inputs["crown_details"],
                inputs["patients"],
                tolerance_days=int(rules["crown_repost_days"]),
                coded=coded,
            )
        )
    for unit in (u for u in only if u != "crown"):
        chosen = choose_courses(
            courses,
            inputs["endo_details"],
            inputs["patients"],
            gap_days=int(rules["course_gap_days"]),
            every=unit == "every_course",
            coded=coded,
        )
        for outcome in COURSE_OUTCOMES:
            rows[unit, outcome] = keep(
                rows_of_chosen(
                    chosen,
                    courses,
                    teeth,
                    outcome=outcome,
                    findings=inputs["findings"],
                    recall_months=int(rules["recall_months"]),
                    uncertain_years=int(rules["uncertain_years"]),
                )
            )
    return rows


def _in_numbers(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    teeth: pl.DataFrame,
    inputs: Mapping[str, pl.DataFrame],
    *,
    words: Iterable[str],
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, dict[str, pl.DataFrame]]:
    """The tables with patients, crowns and courses as whole numbers: long texts take time and room."""
    read = {name: inputs[name] for name in (*READ, CODED_ROWS)}
    tables = same_numbers({**read, "crowns": crowns, "courses": courses, "teeth": teeth}, "patient_id")
    for name, column in (("crowns", "crown_id"), ("courses", "course_id")):
        tables |= same_numbers({name: tables[name]}, column)
    tables = {name: numbered_words(frame, words) for name, frame in tables.items()}
    return tables["crowns"], tables["courses"], tables["teeth"], {name: tables[name] for name in read}
