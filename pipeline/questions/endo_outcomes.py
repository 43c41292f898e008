"""What becomes of root-filled teeth with a crown and without one, and by the delay to the crown.

A tooth must last to be crowned. So the crown enters on the day of its seat, as a state that the tooth passes into: a
tooth crowned later counts as without a crown until then. The comparison by label, teeth ever crowned against never, is
shown beside it as the picture that misleads [Suissa 2008]. Delays are not compared from completion either: teeth still
there on a landmark day are grouped by what had been done by then, and followed from that day [Anderson 1983].
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.outcomes import TOOTH, Outcome, was_followed
from pipeline.questions.analysis import Analysis
from pipeline.questions.answer import Asked, answer
from pipeline.questions.crown_rows import first_of_tooth, with_people
from pipeline.questions.group_ratios import Ratios
from pipeline.questions.question import LANDMARK_DAYS, SOON_DAYS, Question, kept_by_delay
from pipeline.questions.steady_ratio import Standing, Stretch, stand_on
from pipeline.results import DAYS_PER_YEAR, Comparison, Estimate, FlowStep

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


def compare_teeth(question: Question, found: EndoTeeth, analysis: Analysis) -> Comparison:
    """Root-filled teeth once crowned against not crowned so far, on the clock since completion.

    Teeth crowned when the course began are left out, and counted: their crown is no choice made after the root canal.
    """
    rows, spells = found.rows, crown_spells_of_teeth(found.rows)
    label = pl.when(ever_crowned()).then(pl.lit(CROWNED)).otherwise(pl.lit(NOT_CROWNED))
    asked = Asked(
        spells,
        _flow(found),
        years_of_records(rows),
        labelled=rows.with_columns(event="failure", state=label, entry_days=pl.lit(0, pl.Int64)),
        notes=_notes(found, spells),
    )

    def stand(ratios: Ratios, ratio: Estimate | None, days: tuple[int, int] | None) -> Standing:
        # All teeth in the model make up the target, each by its first row, which is the one that enters before day 0.
        fit = ratios.adjusted
        with_failures = set(spells.filter(pl.col("event"))["state"])
        modelled = spells.filter(pl.col("state").is_in(list(with_failures)))
        stretch = None
        if fit is not None and days is not None:
            states = {CROWNED: {CROWNED: 1.0}, NOT_CROWNED: {CROWNED: 0.0}}
            stretch = Stretch(fit.design.rows.entry < 0, states, days, analysis.horizon_years)
        began = modelled["crown_days"].fill_null(0).cast(pl.Int64).to_numpy()
        return stand_on(question, fit, ratio, stretch, began=began, analysis=analysis)

    return answer(question, asked, analysis, stand)


def days_to_crown(rows: pl.DataFrame) -> tuple[int, tuple[float, float, float]] | None:
    """Teeth crowned while followed, and quartiles of days from completion to that crown; None if there are none."""
    days = rows.filter(ever_crowned())["crown_days"]
    if days.is_empty():
        return None
    low, middle, high = (float(np.quantile(days.to_numpy(), q)) for q in (0.25, 0.5, 0.75))
    return len(days), (low, middle, high)


def years_of_records(rows: pl.DataFrame) -> float:
    """Years from the first completion to the last day followed."""
    if rows.is_empty():
        return 0.0
    return float(rows.select((pl.col("exit_date").max() - pl.col("completed").min()).dt.total_days()).item()) / (
        DAYS_PER_YEAR
    )


def _notes(found: EndoTeeth, spells: pl.DataFrame) -> tuple[str, ...]:
    notes = []
    if found.crowned_at_start:
        notes.append(
            f"{count(found.crowned_at_start, 'tooth')} that had a crown when the root canal began: not compared here."
        )
    followed = spells.filter(pl.col("exit_days") > pl.col("entry_days"))["course_id"].n_unique()
    if unseen := found.rows.height - followed:
        notes.append(
            f"{count(unseen, 'tooth', 'was')} not seen again after completion: each is in its group, with no follow-up."
        )
    delay = days_to_crown(found.rows)
    if delay is not None:
        n, (low, middle, high) = delay
        notes.append(
            f"{count(n, 'tooth')} got a crown while followed; days from completion to the seat: median {middle:.0f}, "
            f"quartiles {low:.0f} to {high:.0f}. This describes crowned teeth only."
        )
    seen = found.rows.filter(ever_crowned() & pl.col("crown_day_seen"))
    if seen.height:
        notes.append(
            f"{count(seen.height, 'crown')} from elsewhere, with no seat date: counted from the day it was seen."
        )
    during = found.rows.filter(pl.col("crown_days") == 0).height
    if during:
        notes.append(f"{count(during, 'tooth', 'was')} crowned by the day the root canal was completed.")
    return tuple(notes)


def _flow(found: EndoTeeth) -> tuple[FlowStep, ...]:
    """What each rule kept; what is left is the sum of the groups, those not seen again among them."""
    steps = (
        ("Completed", found.never_completed, "no filling followed"),
        ("First completed course of its tooth", found.later_courses, "later courses of the same teeth"),
        ("No crown when it began", found.crowned_at_start, "crowned already"),
    )
    left = found.courses
    flow = [FlowStep("Courses of root canal treatment", left, 0, "", "courses")]
    for step, removed, why in steps:
        left -= removed
        flow.append(FlowStep(step, left, removed, why, "courses"))
    return tuple(flow)


SOON, LATER, NOT_YET = "crowned_soon", "crowned_later", "not_yet_crowned"


def compare_delay(
    found: EndoTeeth, analysis: Analysis, *, landmark_days: int = LANDMARK_DAYS, soon_days: int = SOON_DAYS
) -> Comparison:
    """Loss of root-filled teeth by the delay to their crown, on the clock since the landmark.

    Groups: crowned up to `soon_days` after completion, crowned after that up to the landmark, not crowned by then.
    The verdict and the difference compare the second with the first. `found` are the teeth followed to their loss.
    """
    question = kept_by_delay(landmark_days=landmark_days, soon_days=soon_days)
    rows = landmark_rows(found.rows, landmark_days=landmark_days, soon_days=soon_days)
    gone = found.rows.height - rows.height
    asked = Asked(
        rows,
        (
            FlowStep("Teeth without a crown when the root canal began", found.rows.height, 0, "", "courses"),
            FlowStep(
                "There and followed on the landmark day",
                rows.height,
                gone,
                f"lost, or not followed past day {landmark_days}",
                "courses",
            ),
        ),
        years_of_records(rows),
        notes=(
            f"Counted from day {landmark_days} after the root canal, in groups by what had been done by "
            "then: teeth lost earlier are in no group.",
        ),
    )

    def stand(ratios: Ratios, ratio: Estimate | None, days: tuple[int, int] | None) -> Standing:
        # The teeth crowned by the landmark, all of them late or all soon.
        fit = ratios.adjusted
        failed = set(rows.filter(pl.col("event"))["state"])
        state = rows.filter(pl.col("state").is_in(list(failed)))["state"]
        columns = [] if fit is None else [name for name in (LATER, NOT_YET) if name in fit.names]
        states = {name: {column: float(column == name) for column in columns} for name in (LATER, SOON)}
        rows_of = state.is_in([LATER, SOON]).to_numpy()
        stretch = None if days is None else Stretch(rows_of, states, days, analysis.horizon_years)
        began = np.zeros(len(state), dtype=np.int64)
        return stand_on(question, fit if LATER in columns else None, ratio, stretch, began=began, analysis=analysis)

    return answer(question, asked, analysis, stand)


def landmark_rows(rows: pl.DataFrame, *, landmark_days: int, soon_days: int) -> pl.DataFrame:
    """Teeth followed past the landmark, on the clock since it: `state, entry_days, exit_days, event` added."""
    days = pl.col("crown_days")
    state = (
        pl.when(days <= soon_days)
        .then(pl.lit(SOON))
        .when(days <= landmark_days)
        .then(pl.lit(LATER))
        .otherwise(pl.lit(NOT_YET))
    )
    return rows.filter(pl.col("exit_days") > landmark_days).with_columns(
        state=state, entry_days=pl.lit(0, pl.Int64), exit_days=pl.col("exit_days") - landmark_days, event="failure"
    )
