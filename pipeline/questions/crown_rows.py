"""Crowns as survival data: one row per crown on the clock since its seat, and the states that it passes through."""

import polars as pl

from pipeline.practice.outcomes import TOOTH, was_followed
from pipeline.results import DAYS_PER_YEAR

STATES = ("before_seat", "vital", "through_crown")
# Which crowns all figures of crowns count, as the database says it.
OWN_CROWNS = "crown_kind = 'single' AND NOT done_elsewhere"


def own_crowns(crowns: pl.DataFrame) -> pl.DataFrame:
    """Rule 6: the crowns that all figures of crowns count: single ones, made here.

    Retainers of bridges, onlays, prefabricated crowns and crowns that others made cover a tooth and end a crown, and
    are in no figure of the practice's crowns.
    """
    return crowns.filter(pl.col("crown_kind") == "single", ~pl.col("done_elsewhere"))


def crowns_from_opening(crowns: pl.DataFrame) -> pl.DataFrame:
    """Rule 12: the crowns of figures that start at the root canal: `own_crowns`, and single ones of unknown age."""
    return crowns.filter(pl.col("crown_kind") == "single", ~pl.col("done_elsewhere") | pl.col("seat_date").is_null())


def own_courses(courses: pl.DataFrame) -> pl.DataFrame:
    """Rule 3: the courses that all figures of root canals count: those done here."""
    return courses.filter(~pl.col("done_elsewhere"))


def crown_rows(crowns: pl.DataFrame, patients: pl.DataFrame) -> pl.DataFrame:
    """Follow-up since the seat: one row per crown whose seat date is known.

    Adds to the columns of `crowns`: `entry_days, exit_days, access_days` (whole days since the seat; access null
    unless opened), `age_at_seat` in years (from the birth date, else from the middle of the birth year; null if
    neither is recorded), `seat_year` as a decimal, and the patient's `sex, smoker, diabetes, bruxism`.
    """
    return since_seat(seated(crowns, patients)).sort("crown_id")


def seated(crowns: pl.DataFrame, patients: pl.DataFrame) -> pl.DataFrame:
    """The crowns whose seat date is known, with what `crown_rows` adds of the patient on that day."""
    known = crowns.filter(pl.col("seat_date").is_not_null())
    return with_people(known, patients, "seat_date", age="age_at_seat", year="seat_year")


def since_seat(crowns: pl.DataFrame) -> pl.DataFrame:
    """Seated crowns with the days since the seat that `crown_rows` adds."""
    return crowns.with_columns(
        entry_days=_days("entry_date", "seat_date"),
        exit_days=_days("exit_date", "seat_date"),
        access_days=_days("access_date", "seat_date"),
    )


def with_people(
    rows: pl.DataFrame, patients: pl.DataFrame, start: str, *, age: str = "age", year: str = "year"
) -> pl.DataFrame:
    """Rows with the patient's `sex, smoker, diabetes, bruxism`, and the age and the decimal year on the day `start`.

    The age is in years, from the birth date or the middle of the birth year; null if neither is recorded.
    """
    born = pl.coalesce("birth_date", pl.date(pl.col("birth_year"), 7, 1))
    people = patients.select("patient_id", "sex", "smoker", "diabetes", "bruxism", born=born)
    day = pl.col(start)
    aged = {age: _days(start, "born") / DAYS_PER_YEAR}
    dated = {year: day.dt.year() + (day.dt.ordinal_day() - 1) / DAYS_PER_YEAR}
    return (
        rows.join(people, on="patient_id", how="left", maintain_order="left").with_columns(**aged, **dated).drop("born")
    )


def first_of_tooth(rows: pl.DataFrame, day: str, unit: str) -> pl.DataFrame:
    """The first row of each tooth by its day, in order of it."""
    return rows.sort(day, unit).unique(TOOTH, keep="first", maintain_order=True)


def state_spells(rows: pl.DataFrame) -> pl.DataFrame:
    """Cut each crown at its opening: one row per crown and state, with `state, entry_days, exit_days, event`.

    A crown opened later counts as `vital` until that day and as `through_crown` from then on: it is never counted as
    opened while it only had the opening ahead of it. The event belongs to the state in which it happened. A crown
    opened on the last day followed stays in its first state alone. Crowns never under observation have no row, and
    none has a crown whose order of root canal and seat is not known (`endo_timing` null): it is in neither group.
    """
    opened = (pl.col("access_days") < pl.col("exit_days")).fill_null(False)
    first = rows.filter(pl.col("endo_timing").is_not_null()).with_columns(
        event=pl.col("failure") & ~opened,
        state=pl.when(pl.col("endo_timing") == "before_seat").then(pl.lit("before_seat")).otherwise(pl.lit("vital")),
    )
    after = first.filter(opened).with_columns(
        entry_days=pl.max_horizontal("entry_days", "access_days"), event="failure", state=pl.lit("through_crown")
    )
    first = first.filter(~opened | (pl.col("entry_days") < pl.col("access_days")))
    first = first.with_columns(exit_days=pl.when(opened).then("access_days").otherwise("exit_days"))
    return pl.concat([first, after]).filter(was_followed()).sort("crown_id", "entry_days")


def _days(later: str, earlier: str) -> pl.Expr:
    return (pl.col(later) - pl.col(earlier)).dt.total_days()
