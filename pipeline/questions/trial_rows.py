"""Who enters the emulated trial of a root canal before the seat, by which strategy, and what became of the tooth.

Three steps. The decision (`trial_decisions.py`) asks for nothing later than the day of the preparation. The strategy is
read off what was done from that day to the seat, and nothing later. The outcomes are counted from the seat on. No tooth
is sorted by what happened to it after the seat.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.questions.trial_decisions import KEY, Decisions, PrepDays, decide
from pipeline.questions.trial_diagnoses import later_diagnoses
from pipeline.results import FlowStep

FIRST = "endo_first"
WAIT = "seat_vital"
ENDO, CROWN_FAILED, TOOTH_LOST = 1, 2, 3  # causes in `need_cause`


@dataclass(frozen=True)
class Entered:
    """The teeth of the trial (see `enter_trial`), how they were found, and where the days of preparation come from.

    `neither` are crowns whose root canal was begun and not completed by the seat: they follow no strategy.
    """

    rows: pl.DataFrame
    neither: pl.DataFrame
    flow: tuple[FlowStep, ...]
    prep_days: PrepDays


def enter_trial(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    teeth: pl.DataFrame,
    patients: pl.DataFrame,
    endo_details: pl.DataFrame,
    *,
    pulp: str,
    lab_days: int,
    horizon_days: int,
) -> Entered:
    """Teeth of one state of the pulp at the preparation and no root canal begun before it, with strategy and outcomes.

    A tooth enters with its first crown that is eligible (see `trial_decisions.decide`) and follows a strategy. `pulp`
    is "hyperemic" or "normal".

    Returns
    -------
    One row per tooth, sorted by crown: the columns of `decide`, of `later_diagnoses` and

    - `arm`: "endo_first" (a first course begun from the day of the preparation to the seat, both days included, and
      completed by the seat) or "seat_vital" (none begun by the seat). A tooth whose course was begun and not completed
      by the seat follows neither and is left out.
    - `course_started, course_completed`: of the first such course; null for "seat_vital". `course_elsewhere`: true
      where another practice did it.

    and on the clock since the seat, cut at `horizon_days` (an event on that day counts):

    - `crown_days, crown_failed`: the crown, until the linking rules say that it failed. An opening does not end it.
    - `tooth_days, tooth_lost`: the tooth, until it is lost, whatever is done to the crown.
    - `need_days, need_cause`: the first of 1 a root canal, 2 failure of the crown, 3 loss of the tooth; 0 if follow-up
      ended first. A root canal for which the crown was then renewed (`given_up`) is a need of it too.
    """
    found: Decisions = decide(crowns, courses, patients, endo_details, pulp=pulp, lab_days=lab_days)
    sorted_out = _with_strategy(found.rows, courses)
    clear = sorted_out.filter(pl.col("arm").is_not_null())
    once = clear.sort("seat_date", "crown_id").unique(KEY, keep="first", maintain_order=True)
    flow = (
        *found.flow,
        _step("Treated first, or seated vital", sorted_out, clear, "root canal begun but not completed by the seat"),
        _step("First such crown of its tooth", clear, once, "a later crown of a tooth already counted"),
    )
    with_later = later_diagnoses(once, endo_details)
    return Entered(
        rows=_with_outcomes(with_later, courses, teeth, horizon_days).sort("crown_id"),
        neither=later_diagnoses(sorted_out.filter(pl.col("arm").is_null()), endo_details),
        flow=flow,
        prep_days=found.prep_days,
    )


def _step(step: str, before: pl.DataFrame, after: pl.DataFrame, why: str) -> FlowStep:
    gone = before.height - after.height
    return FlowStep(step, after.height, gone, why if gone else "", "crowns")


def _with_strategy(rows: pl.DataFrame, courses: pl.DataFrame) -> pl.DataFrame:
    """The arm, by the courses begun from the decision to the seat; eligible teeth have none begun before."""
    by_seat = (
        rows.select("crown_id", *KEY, "seat_date")
        .join(courses.select(*KEY, "course_id", "started", "completed", "done_elsewhere"), on=KEY)
        .filter(pl.col("started") <= pl.col("seat_date"))
    )
    done = by_seat.filter(pl.col("completed") <= pl.col("seat_date"))
    chosen = done.sort("completed", "started", "course_id").unique("crown_id", keep="first", maintain_order=True)
    taken = chosen.select(
        "crown_id",
        course_started="started",
        course_completed="completed",
        course_elsewhere=pl.col("done_elsewhere").fill_null(False),
    )
    begun = by_seat.select("crown_id", begun=pl.lit(True)).unique()
    out = rows.join(begun, on="crown_id", how="left", maintain_order="left")
    out = out.join(taken, on="crown_id", how="left", maintain_order="left")
    return out.with_columns(
        arm=pl.when(pl.col("begun").is_null())
        .then(pl.lit(WAIT))
        .when(pl.col("course_completed").is_not_null())
        .then(pl.lit(FIRST)),
        course_elsewhere=pl.col("course_elsewhere").fill_null(False),
    ).drop("begun")


def _with_outcomes(rows: pl.DataFrame, courses: pl.DataFrame, teeth: pl.DataFrame, horizon: int) -> pl.DataFrame:
    renewed = courses.select(*KEY, exit_date="started", starts_new=pl.lit(True)).unique()
    ends = teeth.select(*KEY, "followed_to", "extracted")
    out = rows.join(renewed, on=[*KEY, "exit_date"], how="left", maintain_order="left")
    out = out.join(ends, on=KEY, how="left", maintain_order="left")
    extracted_with = (pl.col("failure_cause") == "extracted").fill_null(False)
    given_up = pl.col("failure") & ~extracted_with & pl.col("starts_new").fill_null(False)
    # No root canal of a tooth seated vital was begun by the seat, so one begun with the new crown lies after it.
    given_up &= pl.col("access_days").is_null() & (pl.col("arm") == WAIT)
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
    ).drop("starts_new", "followed_to", "extracted")
