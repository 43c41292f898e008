"""The follow-up behind each pooled question, cut by state as the questions themselves cut it."""

from __future__ import annotations

import polars as pl

from pipeline.questions.crown_after_opening import opened_rows
from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.questions.endo_teeth import crown_spells_of_teeth, endo_teeth

_COLUMNS = ("state", "entry_days", "exit_days", "event", "patient_id", "unit", "tooth_group", "tooth_fdi")


def pooled_spells(
    crowns: pl.DataFrame, courses: pl.DataFrame, teeth: pl.DataFrame, patients: pl.DataFrame
) -> dict[str, pl.DataFrame]:
    """Rows by question: `state, entry_days, exit_days, event, patient_id, unit, tooth_group, tooth_fdi`, and the day
    from which the tooth counts, `seat_date` or `completed`.

    The parameters are `crowns`, `endo_courses`, `tooth_followup` and `patients` as declared in `tables`.
    """
    out = {}
    if crowns["seat_date"].count():
        out["crown_longevity_by_endo_timing"] = _named(state_spells(crown_rows(crowns, patients)), "crown_id")
        out["crown_longevity_since_endo"] = _named(opened_rows(crowns, patients), "crown_id")
    if courses["completed"].count():
        for id, outcome in (
            ("tooth_survival_by_crown_after_endo", "tooth_survival"),
            ("endo_free_of_intervention_by_crown", "free_of_intervention"),
        ):
            rows = endo_teeth(courses, teeth, crowns, patients, outcome=outcome).rows
            out[id] = _named(crown_spells_of_teeth(rows), "course_id")
    return out


def _named(spells: pl.DataFrame, unit: str) -> pl.DataFrame:
    return spells.with_columns(unit=unit).select(*_COLUMNS, "seat_date" if unit == "crown_id" else "completed")
