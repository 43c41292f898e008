"""The follow-up behind each pooled question, cut by state as the questions themselves cut it."""

import polars as pl

from pipeline.questions.comparisons import QUESTIONS, LinkedTables

_COLUMNS = ("state", "entry_days", "exit_days", "event", "patient_id", "unit", "tooth_group", "tooth_fdi")


def pooled_spells(records: LinkedTables) -> dict[str, pl.DataFrame]:
    """Rows by question: `state, entry_days, exit_days, event, patient_id, unit, tooth_group, tooth_fdi`, and the day
    from which the tooth counts, `seat_date` or `completed`.
    """
    return {
        asking.question.id: _named(asking.rows(records), asking.question.unit)
        for asking in QUESTIONS
        if asking.question.pooled_curves and records.has(asking.question)
    }


def _named(spells: pl.DataFrame, unit: str) -> pl.DataFrame:
    return spells.with_columns(unit=unit).select(*_COLUMNS, "seat_date" if unit == "crown_id" else "completed")
