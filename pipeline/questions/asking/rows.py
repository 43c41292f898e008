"""The rows of a question: the population on its clock, the outcome, and each tooth's group."""

from dataclasses import dataclass, field
from typing import Any

import polars as pl

from pipeline.practice.outcomes import TOOTH_LOSS, was_followed
from pipeline.practice.own_question import Ask, said
from pipeline.practice.settings import Rules
from pipeline.questions.crown_rows import first_of_tooth
from pipeline.results import DAYS_PER_YEAR, FlowStep
from pipeline.transforms.coded_details import Coded, coded_crown_details, with_coded
from pipeline.transforms.course_details import course_details, crown_details_of


@dataclass(frozen=True)
class Tables:
    """What a question may read, as declared in `pipeline.practice.tables`.

    Details belong to a course or crown that lies at most so many days away; `coded` tells posts and cores not recorded.
    """

    crowns: pl.DataFrame
    endo_courses: pl.DataFrame
    tooth_followup: pl.DataFrame
    patients: pl.DataFrame
    endo_details: pl.DataFrame
    crown_details: pl.DataFrame
    course_gap_days: int = Rules.course_gap_days
    crown_repost_days: int = Rules.crown_repost_days
    coded: Coded = field(default_factory=Coded)


def asked_rows(tables: Tables, ask: Ask) -> tuple[pl.DataFrame, list[FlowStep]]:
    """One row per crown or course that is followed from time zero, with its group in `state`, and the flow to there.

    Adds `entry_days, exit_days, event, failure, age, year` and, from details and patients, every column that a
    question may name. Rows whose group is not recorded are left out, and counted.
    """
    rows = _population(tables, ask)
    start, noun = ask.population.start, ask.population.noun
    flow = [FlowStep(f"All {noun} on permanent teeth", rows.height, 0, "", noun)]

    def keep(step: str, kept: pl.DataFrame, why: str) -> pl.DataFrame:
        if gone := flow[-1].left - kept.height:
            flow.append(FlowStep(step, kept.height, gone, why, noun))
        return kept

    rows = keep("The clock's start is known", rows.filter(pl.col(start).is_not_null()), f"no {said(start)}")
    if ask.population.name == "crowns":
        here = pl.col("entry_date") <= pl.col("seat_date")
        rows = keep("Followed from the seat", rows.filter(here), "done elsewhere, or seated before the records begin")
    narrowed = rows.filter(_asked_for(ask))
    rows = keep("Those asked for", narrowed, "not in the population asked for")
    rows = keep("First of its tooth", keep_first(rows, ask), "later courses of the same teeth")
    rows = _timed(rows, tables, ask)
    rows = keep("Followed at all", rows.filter(was_followed()), "not seen again")
    grouped = rows.with_columns(state=group_of(rows.schema[ask.column], ask)).filter(pl.col("state").is_not_null())
    rows = keep("Group recorded", grouped, f"{said(ask.column)} not recorded")
    return rows.sort(ask.population.unit), flow


def group_of(dtype: pl.DataType, ask: Ask) -> pl.Expr:
    """The group's name: the word, yes or no, or the band that a number lies in; null where not recorded."""
    column = pl.col(ask.column)
    if dtype == pl.Boolean():
        return pl.when(column).then(pl.lit("yes")).when(~column).then(pl.lit("no"))
    if not ask.bands:
        word = column.cast(pl.String).str.strip_chars().str.to_lowercase()
        return pl.when(word != "").then(word)
    low, high = f"under {ask.bands[0]:g}", f"{ask.bands[-1]:g} and more"
    band: Any = pl.when(column < ask.bands[0]).then(pl.lit(low))  # a chain of one type, then of another
    for one, next_one in zip(ask.bands, ask.bands[1:], strict=False):
        band = band.when(column < next_one).then(pl.lit(f"{one:g} to under {next_one:g}"))
    found: pl.Expr = band.when(column >= ask.bands[-1]).then(pl.lit(high))
    return found


def keep_first(rows: pl.DataFrame, ask: Ask) -> pl.DataFrame:
    """For loss of the tooth, the first course of each tooth in the population: a tooth is lost once."""
    return first_of_tooth(rows, "completed", "course_id") if ask.outcome is TOOTH_LOSS else rows


def _population(tables: Tables, ask: Ask) -> pl.DataFrame:
    if ask.population.name == "crowns":
        details = crown_details_of(tables.crowns, tables.crown_details, tolerance_days=tables.crown_repost_days)
        rows = tables.crowns.join(details, on="crown_id", how="left", maintain_order="left")
        told = coded_crown_details(tables.crowns, tables.coded.of(tables.crowns), tables.coded.windows)
        rows = with_coded(rows, told.select("crown_id", "post", "core"), key="crown_id")
    else:
        details = course_details(tables.endo_courses, tables.endo_details, gap_days=tables.course_gap_days)
        rows = tables.endo_courses.join(details, on="course_id", how="left", maintain_order="left")
    new = [c for c in tables.patients.columns if c not in rows.columns and c not in ("load_id", "row_number")]
    return rows.join(tables.patients.select("patient_id", *new), on="patient_id", how="left", maintain_order="left")


def _asked_for(ask: Ask) -> pl.Expr:
    kept = pl.lit(True)
    for column, word in ask.only:
        kept &= pl.col(column).cast(pl.String).str.to_lowercase() == word.lower()
    year = pl.col(ask.population.start).dt.year()
    if ask.from_year is not None:
        kept &= year >= ask.from_year
    if ask.until_year is not None:
        kept &= year <= ask.until_year
    return kept


def _timed(rows: pl.DataFrame, tables: Tables, ask: Ask) -> pl.DataFrame:
    day = pl.col(ask.population.start)
    born = pl.coalesce("birth_date", pl.date(pl.col("birth_year"), 7, 1))
    return ask.outcome.ended(rows, tables.tooth_followup).with_columns(
        entry_days=pl.lit(0, pl.Int64),
        exit_days=(pl.col("exit_date") - day).dt.total_days(),
        event="failure",
        age=(day - born).dt.total_days() / DAYS_PER_YEAR,
        year=day.dt.year() + (day.dt.ordinal_day() - 1) / DAYS_PER_YEAR,
    )
