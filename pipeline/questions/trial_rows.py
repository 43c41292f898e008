"""Who enters the emulated trial of a root canal before the seat, in which clones, and what became of the tooth.

Three steps. The decision (`trial_decisions.py`) asks for nothing later than the day of the preparation, and that day is
day 0. Between preparation and seat a tooth shows what was decided, or stays undecided: a pulp that flared and was
treated for it has had what either way would have done. All outcomes are counted from the preparation on; no tooth is
sorted by what happened to it after its seat.
"""

import numpy as np
import polars as pl

from pipeline.questions.trial_decisions import KEY, Decisions, decide, later_diagnoses
from pipeline.results import FlowStep
from pipeline.stats.clone_censor_weight import Clones, Grace, clone_and_censor

FIRST = "endo_first"
WAIT = "seat_vital"
EITHER = "either"
ENDO, CROWN_FAILED, TOOTH_LOST = 1, 2, 3  # causes in `need_cause`
# From so many root canals between preparation and seat with a diagnosis the others are judged by them.
FEWEST_TOLD = 10


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
) -> Decisions:
    """Teeth of one state of the pulp at the preparation and no root canal begun before it, with strategy and outcomes.

    A tooth enters with its first crown that is eligible (see `trial_decisions.decide`). `pulp` is "hyperemic" or
    "normal".

    Returns one row per tooth, sorted by crown: the columns of `decide`, of `later_diagnoses` and

    - `course_started, course_completed`: of the first course begun from the day of the preparation to the seat, both
      days included, by whomever; null where there is none. `course_elsewhere`: true where another practice did it.
    - `flared`: an irreversible pulpitis or a necrosis was recorded after the day of the preparation and by the seat,
      not after the root canal. `for_need`: the root canal was begun after the day of the preparation, for such a pulp:
      the diagnosis was recorded before it or with it (by the day on which it was completed).
    - `untold`: the root canal was begun after the day of the preparation, with no pulpal diagnosis recorded from then
      to the seat that tells why.
    - `doubt`: the chance that the tooth did not show what was decided: 1 where treated for need or lost before the
      seat with no root canal begun; where `untold`, that of `share_for_need`.
    - `arm`: "endo_first" (a root canal begun by the seat), "seat_vital" (seated with none begun), or, with a `doubt`,
      "either": such a tooth is in both, in part.
    - `grace_days`: days from the preparation to the seat. `shown_days`: to the day on which it came to light what was
      decided (the root canal, or the seat without one), or the tooth was left as "either" (the flare, or its loss).

    on the clock since the preparation, cut at `horizon_days` (an event on that day counts):

    - `crown_days, crown_failed`: the crown, until the linking rules say that it failed. An opening does not end it. A
      tooth lost before the seat is a failure too.
    - `tooth_days, tooth_lost`: the tooth, until it is lost, whatever is done to the crown.
    - `need_days, need_cause`: the first of 1 a root canal after the decision, 2 failure of the crown, 3 loss of the
      tooth; 0 if follow-up ended first. A root canal for which the crown was then renewed (`given_up`) is a need too.

    and on the clock since the seat, for teeth seated vital, cut alike: `vital_days, vital_cause`, the same need.
    """
    found = decide(crowns, courses, patients, endo_details, pulp=pulp, lab_days=lab_days)
    once = found.rows.sort("seat_date", "crown_id").unique(KEY, keep="first", maintain_order=True)
    gone = found.rows.height - once.height
    why = "a later crown of a tooth already counted" if gone else ""
    rows = _with_strategy(later_diagnoses(once, endo_details), courses, teeth)
    return Decisions(
        rows=_with_outcomes(rows, courses, horizon_days).sort("crown_id"),
        flow=(*found.flow, FlowStep("First such crown of its tooth", once.height, gone, why, "crowns")),
        prep_days=found.prep_days,
    )


def grace_of(rows: pl.DataFrame) -> Grace:
    """How the time from preparation to seat ended for each row of `enter_trial`."""
    return Grace(
        days=rows["shown_days"].to_numpy(),
        treat=(rows["course_started"].is_not_null() & ~rows["for_need"]).to_numpy(),
        wait=(rows["arm"] == WAIT).to_numpy(),
        in_need=(rows["for_need"] | (rows["flared"] & (rows["arm"] == WAIT))).to_numpy(),
        doubt=rows["doubt"].to_numpy(),
    )


def clones_of(rows: pl.DataFrame) -> Clones:
    """Two clones of each row of `enter_trial`, followed as teeth: which depart from their way, and when."""
    treated = (rows["course_started"] - rows["decision_date"]).dt.total_days().cast(pl.Float64)
    return clone_and_censor(
        rows["tooth_days"],
        rows["tooth_lost"],
        treated.fill_null(np.nan),
        rows["grace_days"],
        for_need=rows["doubt"] > 0,
    )


def _with_strategy(rows: pl.DataFrame, courses: pl.DataFrame, teeth: pl.DataFrame) -> pl.DataFrame:
    """What was done from the preparation to the seat; eligible teeth have no course begun before."""
    ends = teeth.select(*KEY, "followed_to", "extracted")
    out = rows.join(ends, on=KEY, how="left", maintain_order="left")
    early = (pl.col("extracted") < pl.col("seat_date")) & (pl.col("extracted") >= pl.col("decision_date"))
    out = out.with_columns(lost_early=early.fill_null(False))
    begun = (
        out.select("crown_id", *KEY, "seat_date")
        .join(courses.select(*KEY, "course_id", "started", "completed", "done_elsewhere"), on=KEY)
        .filter(pl.col("started") <= pl.col("seat_date"))
        .sort("started", "course_id")
        .unique("crown_id", keep="first", maintain_order=True)
        .select(
            "crown_id",
            course_started="started",
            course_completed="completed",
            course_elsewhere=pl.col("done_elsewhere").fill_null(False),
        )
    )
    out = out.join(begun, on="crown_id", how="left", maintain_order="left")
    treated, last = pl.col("course_started"), pl.coalesce("course_completed", "course_started")
    flared = (pl.col("flare_date") <= last).fill_null(treated.is_null() & pl.col("flare_date").is_not_null())
    out = out.with_columns(course_elsewhere=pl.col("course_elsewhere").fill_null(False), flared=flared)
    between = (treated > pl.col("decision_date")).fill_null(False)
    out = out.with_columns(
        for_need=pl.col("flared") & between, untold=between & pl.col("pulpal_later").is_null()
    ).with_columns(
        doubt=pl.when("for_need")
        .then(1.0)
        .when("untold")
        .then(share_for_need(out.filter(between).select(flared="flared", told=pl.col("pulpal_later").is_not_null())))
        .when(treated.is_null() & pl.col("lost_early"))
        .then(1.0)
        .otherwise(0.0)
    )
    arm = (
        pl.when(pl.col("doubt") > 0)
        .then(pl.lit(EITHER))
        .when(treated.is_not_null())
        .then(pl.lit(FIRST))
        .otherwise(pl.lit(WAIT))
    )
    shown = (
        pl.when("for_need")
        .then(pl.min_horizontal("flare_date", treated))
        .when(treated.is_not_null())
        .then(treated)
        .when("lost_early")
        .then(pl.min_horizontal("extracted", "flare_date"))
        .otherwise("seat_date")
    )
    return out.with_columns(arm=arm, grace_days=_since_decision(pl.col("seat_date")), shown_days=_since_decision(shown))


def share_for_need(between: pl.DataFrame) -> float:
    """Of root canals begun between preparation and seat and `told`, the share for a pulp that had `flared`.

    0 where fewer than `FEWEST_TOLD` had not: who writes down none but flares says nothing of others by silence.
    """
    told = between.filter("told")
    flared = int(told["flared"].sum())
    return flared / told.height if told.height - flared >= FEWEST_TOLD else 0.0


def _since_decision(day: pl.Expr) -> pl.Expr:
    return (day - pl.col("decision_date")).dt.total_days()


def _with_outcomes(rows: pl.DataFrame, courses: pl.DataFrame, horizon: int) -> pl.DataFrame:
    renewed = courses.select(*KEY, exit_date="started", starts_new=pl.lit(True)).unique()
    out = rows.join(renewed, on=[*KEY, "exit_date"], how="left", maintain_order="left")
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
    lost_on = _since_decision(pl.col("extracted"))
    out = out.with_columns(given_up=given_up, vital_days=pl.coalesce("access_days", "exit_days"), vital_cause=cause)
    out = out.with_columns(
        crown_days=pl.when("lost_early").then(lost_on).otherwise(pl.col("exit_days") + pl.col("grace_days")),
        crown_failed=pl.col("failure") | pl.col("lost_early"),
        tooth_days=pl.max_horizontal(_since_decision(last), 0),
        tooth_lost=pl.col("extracted").is_not_null(),
        need_days=pl.when(pl.col("course_started").is_not_null())
        .then(_since_decision(pl.col("course_started")))
        .when("lost_early")
        .then(lost_on)
        .otherwise(pl.col("vital_days") + pl.col("grace_days")),
        need_cause=pl.when(pl.col("course_started").is_not_null())
        .then(ENDO)
        .when("lost_early")
        .then(TOOTH_LOST)
        .otherwise("vital_cause"),
    )
    in_time = {name: pl.col(f"{name}_days") <= horizon for name in ("need", "vital", "crown", "tooth")}
    return out.with_columns(
        need_cause=pl.when(in_time["need"]).then("need_cause").otherwise(0),
        vital_cause=pl.when(in_time["vital"]).then("vital_cause").otherwise(0),
        given_up=pl.col("given_up") & in_time["need"],
        crown_failed=pl.col("crown_failed") & in_time["crown"],
        tooth_lost=pl.col("tooth_lost") & in_time["tooth"],
        **{f"{name}_days": pl.min_horizontal(f"{name}_days", horizon) for name in in_time},
    ).drop("starts_new", "followed_to", "extracted")
