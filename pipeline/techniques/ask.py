"""Technique questions asked of the stored tables."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import polars as pl

from pipeline.questions.crown_longevity import Analysis
from pipeline.techniques.engine import Answered, answer_all
from pipeline.techniques.question import COURSE_OUTCOMES, CROWN_FAILURE, all_questions
from pipeline.techniques.rows import rows_of_courses, rows_of_crowns


def answer_techniques(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    teeth: pl.DataFrame,
    inputs: Mapping[str, pl.DataFrame],
    analysis: Analysis,
    *,
    rules: Mapping[str, str],
) -> Answered:
    """Every question, of the tables `crowns`, `endo_courses`, `tooth_followup` and the input tables by name.

    `rules` holds `course_gap_days`, `crown_repost_days` (whole days) and `recall_months` as text.
    """
    rows = {
        ("crown", CROWN_FAILURE): rows_of_crowns(
            crowns, inputs["crown_details"], inputs["patients"], tolerance_days=int(rules["crown_repost_days"])
        )
    }
    for unit, outcome in itertools.product(("course", "every_course"), COURSE_OUTCOMES):
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
    return answer_all(all_questions(), rows, analysis)
