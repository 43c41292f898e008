"""Rule 5: where the root canal on a tooth falls relative to the seat of its crown.

Frames here are eager and hold one row per crown or per course. `in_place_from` is the seat date, or, for a crown of
unknown age, the day before it was first seen (so that a course begun on the day of the first visit went through it).
"""

from __future__ import annotations

from typing import Literal

import polars as pl

from pipeline.transforms.events import TOOTH

KEY = list(TOOTH)


def nearest(
    left: pl.DataFrame,
    right: pl.DataFrame,
    *,
    left_on: str,
    right_on: str,
    strategy: Literal["backward", "forward"],
    same_day: bool,
) -> pl.DataFrame:
    """Join each row of `left` with its tooth's nearest row of `right` at or before (after) a date.

    One row per row of `left`. Nulls in `left_on` match nothing. Rows of `right` that share a tooth and a date must
    not exist, so that the row order of the input cannot matter.
    """
    known = left.filter(pl.col(left_on).is_not_null()).sort(left_on)
    joined = known.join_asof(
        right.filter(pl.col(right_on).is_not_null()).sort(right_on),
        left_on=left_on,
        right_on=right_on,
        by=KEY,
        strategy=strategy,
        allow_exact_matches=same_day,
        check_sortedness=False,
        coalesce=False,
    )
    return pl.concat([joined, left.filter(pl.col(left_on).is_null())], how="diagonal")


def renewing_courses(courses: pl.DataFrame, crowns: pl.DataFrame, *, renewal_days: int) -> pl.DataFrame:
    """Courses done for a new crown: add `new_crown_id`, null for the others.

    A course counts as done for the next crown seated on its tooth (on or after its start) if that seat comes at most
    `renewal_days` after the course was completed. Such a course ends the old crown at its start: the old crown
    was given up, not opened. A course never completed is measured from its start.
    """
    seats = crowns.filter(pl.col("posted_first").is_not_null()).select(
        *KEY, pl.col("seat_date").alias("next_seat"), pl.col("crown_id").alias("new_crown_id")
    )
    seats = seats.sort("new_crown_id").unique([*KEY, "next_seat"], keep="last", maintain_order=True)
    joined = nearest(courses, seats, left_on="started", right_on="next_seat", strategy="forward", same_day=True)
    limit = pl.coalesce("completed", "started") + pl.duration(days=renewal_days)
    in_time = (pl.col("next_seat") <= limit).fill_null(False)
    return joined.with_columns(new_crown_id=pl.when(in_time).then("new_crown_id")).drop("next_seat")


def classify_endo_timing(crowns: pl.DataFrame, courses: pl.DataFrame, filled_elsewhere: pl.DataFrame) -> pl.DataFrame:
    """Rule 5: label each crown by where the root canal on its tooth falls relative to its seat.

    Parameters
    ----------
    crowns
        `patient_id, tooth_fdi, crown_id, in_place_from, seat_date, shift_days, exit_date, failure`.
    courses
        `patient_id, tooth_fdi, course_id, started, completed, new_crown_id`.
    filled_elsewhere
        Teeth whose root canal was done elsewhere: `patient_id, tooth_fdi, filled_seen` (null where undated).

    Returns
    -------
    One row per crown, with four more columns:

    - `endo_timing`: "before_seat" (a course completed on or before the seat; also one begun by then and completed
      later or never, and a root canal from elsewhere known by then), "through_crown" (else a course started after
      the seat, this crown still in place), or "vital".
    - `course_id`: the course that decides; null for "vital" and for a root canal done elsewhere.
    - `access_date`: the day the crown was opened; null unless "through_crown".
    - `order_uncertain`: True where the order hangs on the shift from preparation to seat, where the course was begun
      by the seat and not completed by it, or where the age of the crown is unknown.

    "vital" means that no course was seen before follow-up ended, so it is no outcome in itself. Comparing crowns by
    this label from the seat onwards flatters the crowns opened later, which had to last until then [1]; in the
    comparison an opening enters on its own date. A course that starts on the day the crown fails did not go through
    it.

    References
    ----------
    [1] Suissa S. Immortal time bias in pharmacoepidemiology. Am J Epidemiol 2008;167:492-499.
    """
    completed = courses.filter(pl.col("completed").is_not_null()).select(
        *KEY, before_id="course_id", before_completed="completed"
    )
    begun = courses.select(*KEY, begun_id="course_id", begun="started")
    through = courses.filter(pl.col("new_crown_id").is_null()).select(*KEY, through_id="course_id", opened="started")
    out = nearest(
        crowns, completed, left_on="in_place_from", right_on="before_completed", strategy="backward", same_day=True
    )
    out = nearest(out, begun, left_on="in_place_from", right_on="begun", strategy="backward", same_day=True)
    out = nearest(out, through, left_on="in_place_from", right_on="opened", strategy="forward", same_day=False)
    out = out.join(filled_elsewhere, on=KEY, how="left", coalesce=True)
    return _decide(out).select(*crowns.columns, "endo_timing", "course_id", "access_date", "order_uncertain")


def _decide(candidates: pl.DataFrame) -> pl.DataFrame:
    completed_before = pl.col("before_id").is_not_null()
    begun_before = pl.col("begun_id").is_not_null()
    elsewhere = pl.col("is_filled_elsewhere").fill_null(False) & (
        pl.col("filled_seen").is_null() | (pl.col("filled_seen") <= pl.col("in_place_from"))
    )
    in_place = pl.col("opened") <= pl.col("exit_date")
    in_place &= ~(pl.col("failure") & (pl.col("opened") == pl.col("exit_date")))
    unshifted = pl.col("in_place_from") - pl.duration(days=pl.col("shift_days"))
    hangs_on_shift = completed_before & (pl.col("before_completed") > unshifted)
    hangs_on_shift |= ~completed_before & begun_before & (pl.col("begun") > unshifted)
    unknown_age = pl.col("seat_date").is_null()
    return candidates.with_columns(
        endo_timing=pl.when(completed_before | begun_before | elsewhere)
        .then(pl.lit("before_seat"))
        .when(in_place.fill_null(False))
        .then(pl.lit("through_crown"))
        .otherwise(pl.lit("vital"))
    ).with_columns(
        course_id=pl.when(completed_before)
        .then("before_id")
        .when(begun_before)
        .then("begun_id")
        .when(pl.col("endo_timing") == "through_crown")
        .then("through_id"),
        access_date=pl.when(pl.col("endo_timing") == "through_crown").then("opened"),
        order_uncertain=(pl.col("endo_timing") == "before_seat")
        & (unknown_age | hangs_on_shift.fill_null(False) | (~completed_before & begun_before)),
    )
