"""Who enters the emulated trial of a root canal before the seat, by which strategy, and what became of the tooth.

Everything that decides who enters, and by which strategy, is known on the day of the seat: time zero. No tooth is
sorted by what happened to it later.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.questions.crown_rows import crown_rows
from pipeline.results import FlowStep

FIRST = "endo_first"
WAIT = "seat_vital"
ENDO, CROWN_FAILED, TOOTH_LOST = 1, 2, 3  # causes in `need_cause`
KEY = ["patient_id", "tooth_fdi"]


@dataclass(frozen=True)
class Entered:
    """The teeth of the trial (see `enter_trial`), and how they were found."""

    rows: pl.DataFrame
    flow: tuple[FlowStep, ...]


def enter_trial(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    teeth: pl.DataFrame,
    patients: pl.DataFrame,
    *,
    pulp: str,
    window_days: int,
    horizon_days: int,
) -> Entered:
    """Teeth of one state of the pulp at preparation, not yet root-filled, each with its strategy and outcomes.

    A tooth enters with its first eligible crown: seat known, made here, `pulp_status_at_prep` equal to `pulp`, not
    root-filled when the decision opened, `window_days` before the seat. The preparation is often undated, so the seat
    carries the window. Already root-filled, so not eligible: a root canal from elsewhere, a course of repeat treatment
    as the tooth's first course, a first course begun earlier than the window.

    Returns
    -------
    One row per tooth, sorted by crown: the columns of `crown_rows` and, on the clock since the seat, cut at
    `horizon_days` (an event on that day counts):

    - `arm`: "endo_first" (a course begun within the window, the seat's own day included, and completed by the seat) or
      "seat_vital" (no course begun by the seat). A tooth whose course was begun and not completed by the seat follows
      neither and is left out.
    - `course_completed`: the day the first such course was completed; null for "seat_vital".
    - `crown_days, crown_failed`: the crown, until rule 6 of the linking rules says that it failed. An opening does not
      end it.
    - `tooth_days, tooth_lost`: the tooth, until it is extracted, whatever is done to the crown.
    - `need_days, need_cause`: the first of 1 a root canal, 2 failure of the crown, 3 extraction; 0 if follow-up ended
      first. A root canal for which the crown was then renewed (`given_up`) is a need of it too.
    """
    steps = [("Crowns on permanent teeth", "", crowns)]

    def keep(step: str, why: str, frame: pl.DataFrame) -> pl.DataFrame:
        steps.append((step, why, frame))
        return frame

    known = keep("Seat date known", "done elsewhere at an unknown time", crown_rows(crowns, patients))
    own = keep("Made here", "made elsewhere, or before the records begin", known.filter(pl.col("entry_days") <= 0))
    state = f"Pulp {pulp} at preparation"
    chosen = keep(
        state, "another state of the pulp, or none recorded", own.filter(pl.col("pulp_status_at_prep") == pulp)
    )
    begun = _with_strategy(chosen, courses, window_days=window_days)
    open_yet = keep(
        f"Not root-filled {window_days} days before the seat", "already root-filled", begun.filter(~pl.col("filled"))
    )
    clear = keep(
        "Treated first, or seated vital",
        "root canal begun but not completed by the seat",
        open_yet.filter(pl.col("arm").is_not_null()),
    )
    once = clear.sort("seat_date", "crown_id").unique(KEY, keep="first", maintain_order=True)
    once = keep("First such crown of its tooth", "a later crown of a tooth already counted", once)
    flow = tuple(
        FlowStep(step, frame.height, before - frame.height, why, "crowns")
        for (step, why, frame), before in zip(steps, [crowns.height, *(f.height for _, _, f in steps)], strict=False)
    )
    return Entered(_with_outcomes(once, courses, teeth, horizon_days).sort("crown_id"), flow)


def _with_strategy(rows: pl.DataFrame, courses: pl.DataFrame, *, window_days: int) -> pl.DataFrame:
    by_seat = (
        rows.select("crown_id", *KEY, "seat_date")
        .join(courses.select(*KEY, "course_id", "started", "completed", "kind"), on=KEY)
        .filter(pl.col("started") <= pl.col("seat_date"))
        .sort("started", "course_id")
    )
    in_time = pl.col("completed") <= pl.col("seat_date")
    first = by_seat.group_by("crown_id", maintain_order=True).agg(
        first_started=pl.col("started").first(),
        first_kind=pl.col("kind").first(),
        course_completed=pl.col("completed").filter(in_time).min(),
    )
    out = rows.join(first, on="crown_id", how="left", maintain_order="left")
    before = pl.col("first_started").is_not_null()
    older = (pl.col("seat_date") - pl.col("first_started")).dt.total_days() > window_days
    elsewhere = (pl.col("endo_timing") == "before_seat") & ~before
    return out.with_columns(
        filled=(older | (pl.col("first_kind") == "retreatment")).fill_null(False) | elsewhere,
        arm=pl.when(~before).then(pl.lit(WAIT)).when(pl.col("course_completed").is_not_null()).then(pl.lit(FIRST)),
    ).drop("first_started", "first_kind")


def _with_outcomes(rows: pl.DataFrame, courses: pl.DataFrame, teeth: pl.DataFrame, horizon: int) -> pl.DataFrame:
    renewed = courses.select(*KEY, exit_date="started", starts_new=pl.lit(True)).unique()
    ends = teeth.select(*KEY, "followed_to", "extracted")
    out = rows.join(renewed, on=[*KEY, "exit_date"], how="left", maintain_order="left")
    out = out.join(ends, on=KEY, how="left", maintain_order="left")
    extracted_with = (pl.col("failure_cause") == "extracted").fill_null(False)
    given_up = pl.col("failure") & ~extracted_with & pl.col("starts_new").fill_null(False)
    given_up &= pl.col("access_days").is_null() & (pl.col("exit_days") > 0) & (pl.col("arm") == WAIT)
    cause = (
        pl.when(pl.col("access_days").is_not_null() | given_up)
        .then(ENDO)
        .when(pl.col("failure") & extracted_with)
        .then(TOOTH_LOST)
        .when("failure")
        .then(CROWN_FAILED)
        .otherwise(0)
    )
    last = pl.coalesce("extracted", "followed_to", "exit_date")
    out = out.with_columns(
        given_up=given_up,
        need_days=pl.coalesce("access_days", "exit_days"),
        need_cause=cause,
        crown_days="exit_days",
        crown_failed="failure",
        tooth_days=pl.max_horizontal((last - pl.col("seat_date")).dt.total_days(), 0),
        tooth_lost=pl.col("extracted").is_not_null(),
    )
    in_time = {name: pl.col(f"{name}_days") <= horizon for name in ("need", "crown", "tooth")}
    return out.with_columns(
        need_cause=pl.when(in_time["need"]).then("need_cause").otherwise(0),
        given_up=pl.col("given_up") & in_time["need"],
        crown_failed=pl.col("crown_failed") & in_time["crown"],
        tooth_lost=pl.col("tooth_lost") & in_time["tooth"],
        **{f"{name}_days": pl.min_horizontal(f"{name}_days", horizon) for name in in_time},
    ).drop("filled", "starts_new", "followed_to", "extracted")
