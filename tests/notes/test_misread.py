# ruff: noqa: E501
"""How misread notes move a comparison. The matrix method has its published examples in `tests/stats`."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from pipeline.notes.accuracy import notes_read
from pipeline.practice.tables import NOTE_CHECKS, NOTE_VALUES
from pipeline.questions.misread import misread_contrasts
from pipeline.questions.techniques.declared import all_questions
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast, TechniqueGroup


def checks(rows: list[tuple[str, str, str | None]]) -> pl.DataFrame:
    """Rows of `note_checks` of one field: value read, `agreed`, value of the chart."""
    made = [
        {c: {"patient_id": f"p{n}", "supernumerary": False, "note_date": dt.date(2020, 1, 1), "field": "rubber_dam",
             "value": value, "agreed": agreed, "chart_value": chart, "load_id": 1, "row_number": n, "tooth_fdi": 36}.get(c)
         for c in NOTE_CHECKS.columns}
        for n, (value, agreed, chart) in enumerate(rows, 1)
    ]  # fmt: skip
    return pl.DataFrame(made, schema=NOTE_CHECKS.schema)


def used(field: str) -> pl.DataFrame:
    row = {"patient_id": "p1", "note_date": dt.date(2020, 1, 1), "tooth_fdi": 36, "table_name": "endo_details", "field": field,
           "value": "true", "sure": True, "evidence": "dam", "rule": "r", "tooth_from": "row", "start_at": 0, "end_at": 3,
           "outcome": "used", "load_id": 1, "row_number": 1}  # fmt: skip
    return pl.DataFrame([row], schema=NOTE_VALUES.schema)


def answer() -> TechniqueAnswer:
    """An answer on the rubber dam with two groups."""
    question = next(q for q in all_questions() if q.factor == "rubber_dam")
    groups = tuple(
        TechniqueGroup(name, name, 400, 300, failures, 2000.0, None, None, None)
        for name, failures in (("yes", 40), ("no", 80))
    )
    contrast = TechniqueContrast("yes", "no", *[None] * 8, verdict="cannot_tell", sentence="", next_step="")
    return TechniqueAnswer(
        id="a", question=question.id, title=question.title, unit="course", outcome="tooth_loss", horizon_years=5.0,
        reference="no", groups=groups, contrasts=(contrast,), dose=(), dose_unit="", reference_dose=None, adjusted_for=(),
        stratified_by=(), missing=(), caveats=(), notes=(), family=1,
    )  # fmt: skip


def moved(rows: list[tuple[str, str, str | None]], field: str = "rubber_dam"):
    return misread_contrasts([answer()], all_questions(), used(field), checks(rows), seed=1, confidence=0.95)


def test_errors_in_the_check_move_the_ratio_away_from_one():
    right = [("true", "yes", None)] * 40 + [("false", "yes", None)] * 40
    wrong = [("true", "no", "false")] * 8 + [("false", "no", "true")] * 8
    (clean,), (errors,) = moved(right), moved(right + wrong)
    assert clean.counted == pytest.approx(40 * 320 / (80 * 360))
    assert clean.moved == pytest.approx(clean.counted, rel=0.1)
    assert (errors.sensitivity, errors.specificity) == (40 / 48, 40 / 48)
    assert errors.moved is not None
    assert errors.moved < clean.moved
    assert errors.moved_high - errors.moved_low > 0


def test_too_few_checks_and_fields_that_no_note_filled_say_nothing():
    right = [("true", "yes", None)] * 40 + [("false", "yes", None)] * 4
    assert moved(right) == ()
    assert moved([*right, ("false", "yes", None)], field="sealer") == ()
    assert len(moved([*right, ("false", "yes", None)])) == 1


def test_what_cannot_be_told_counts_for_neither():
    rows = [("true", "yes", None), ("true", "cannot tell", None), ("false", "no", None), ("", "yes", "true")]
    table = checks(rows).with_columns(pl.col("value").replace("", None))
    (field,) = notes_read(used("rubber_dam"), table, confidence=0.95).fields
    assert (field.read, field.right, field.there) == (2, 1, 2)
    assert field.predictive_value == 0.5
    assert 0 <= field.predictive_low < 0.5 < field.predictive_high <= 1
    assert notes_read(NOTE_VALUES.empty(), table, confidence=0.95) is None
