"""Root-filled teeth as survival data: one row per tooth on the clock since completion, and its crown as a state."""

from dataclasses import dataclass

import polars as pl

from pipeline.practice.outcomes import TOOTH, Outcome, was_followed
from pipeline.questions.crown_rows import first_of_tooth, with_people

CROWNED, NOT_CROWNED = "crowned", "not_crowned"


@dataclass(frozen=True)
class EndoTeeth:
    """Teeth whose first completed course began without a crown, and how many others there were.

    `rows` has one row per tooth: the columns of its course, the patient's `sex, smoker, diabetes, bruxism`,
    `age_at_completion` (years), `completion_year` (decimal), `exit_days` (since completion), `failure`, `exit_date`
    and `exit_reason` of the outcome asked for, and `crown_days` (completion to its first crown, 0 for a crown seated
    during the course; null if none), of which `crown_day_seen` is true where only a sighting is known.
    """

    rows: pl.DataFrame
    courses: int
    never_completed: int
    later_courses: int
    crowned_at_start: int


def endo_teeth(
    courses: pl.DataFrame, teeth: pl.DataFrame, crowns: pl.DataFrame, patients: pl.DataFrame, *, outcome: Outcome
) -> EndoTeeth:
    """Follow each tooth from its first completed course here to an outcome of root canals.

    The crown is the first one seated on or after the start of the course; one from elsewhere without a seat date counts
    from the day it was first seen, so that no tooth is crowned before it is known to be.
    """
    completed = _by_course(courses.filter(pl.col("completed").is_not_null()))
    first = first_of_tooth(completed, "completed", "course_id")
    bare = outcome.ended(first.filter(pl.col("crown_at_start") == "none"), teeth)
    day = pl.col("completed")
    rows = (
        with_people(bare, patients, "completed", age="age_at_completion", year="completion_year")
        .join(_first_crowns(bare, crowns), on="course_id", how="left", maintain_order="left")
        .with_columns(
            exit_days=(pl.col("exit_date") - day).dt.total_days(),
            crown_days=pl.when(pl.col("crown_day").is_not_null()).then(
                (pl.max_horizontal("crown_day", "completed") - day).dt.total_days()
            ),
        )
        .drop("crown_day")
        .sort("course_id")
    )
    return EndoTeeth(
        rows=rows,
        courses=courses.height,
        never_completed=courses.height - completed.height,
        later_courses=completed.height - first.height,
        crowned_at_start=first.height - bare.height,
    )


def ever_crowned() -> pl.Expr:
    """Teeth that got their crown while followed."""
    came = (pl.col("crown_days") == 0) | (pl.col("crown_days") < pl.col("exit_days"))
    return came.fill_null(False)


def crown_spells_of_teeth(rows: pl.DataFrame) -> pl.DataFrame:
    """Cut each tooth at its first crown: one row per tooth and state, with `state, entry_days, exit_days, event`.

    A tooth is `not_crowned` until that day, however soon the crown follows, and `crowned` from then on, even if the
    crown is lost later. A crown on the last day followed changes nothing.
    """
    columns = [*rows.columns, "place", "entry_days", "event", "state"]
    rows = _by_course(rows).with_columns(place=pl.col("course_id").rle_id())
    crowned = rows.filter(ever_crowned())
    zero = pl.lit(0, pl.Int64)
    before = crowned.filter(pl.col("crown_days") > 0).with_columns(
        entry_days=zero, exit_days=pl.col("crown_days"), event=pl.lit(False), state=pl.lit(NOT_CROWNED)
    )
    after = crowned.with_columns(entry_days=pl.col("crown_days"), event="failure", state=pl.lit(CROWNED))
    never = rows.filter(~ever_crowned()).with_columns(entry_days=zero, event="failure", state=pl.lit(NOT_CROWNED))
    spells = pl.concat([part.select(columns) for part in (before, after, never)])
    return spells.filter(was_followed()).sort("place", "entry_days").drop("place")


def _by_course(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows in order of their course; texts are not sorted again where they are in order, as stored."""
    return rows if rows["course_id"].is_sorted() else rows.sort("course_id")


def _first_crowns(first: pl.DataFrame, crowns: pl.DataFrame) -> pl.DataFrame:
    seen = crowns.select(
        *TOOTH, crown_day=pl.coalesce("seat_date", "entry_date"), crown_day_seen=pl.col("seat_date").is_null()
    )
    own = first.select(*TOOTH, "course_id", "started").join(seen, on=TOOTH)
    return (
        own.filter(pl.col("crown_day") >= pl.col("started"))
        .sort("course_id", "crown_day", "crown_day_seen")
        .unique("course_id", keep="first", maintain_order=True)
        .select("course_id", "crown_day", "crown_day_seen")
    )
