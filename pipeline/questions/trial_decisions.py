"""The decision on a tooth that is prepared for a crown: its day, and which teeth it was due on.

Nothing here looks past the day of the preparation, but for the date of the seat, which shows that the crown was made,
and a label that says that the order of root canal and seat is not known. So whatever is read off the time after that
day, a strategy with a time of grace included, can start from these rows.
"""

from dataclasses import dataclass

import polars as pl

from pipeline.practice.counts import count
from pipeline.questions.crown_rows import crown_rows, own_crowns
from pipeline.questions.trial_diagnoses import early_diagnoses
from pipeline.results import FlowStep

KEY = ["patient_id", "tooth_fdi"]
# A preparation recorded longer before the seat than this belongs to another crown or is a slip (common practice, no
# source).
MOST_PREP_DAYS = 365
# From so many crowns with both days recorded the practice's own time from preparation to seat is taken.
FEWEST_FOR_OWN = 20
NO_NECROSIS, NO_IRREVERSIBLE = "No necrosis recorded by then", "No irreversible pulpitis recorded by then"
STATES = {"hyperemic": "Pulp recorded as inflamed or dead by the preparation", "normal": "Pulp recorded as normal"}


@dataclass(frozen=True)
class PrepDays:
    """Days from preparation to seat where the preparation is not recorded: `usual`, by `own` crowns that have both.

    With fewer than `FEWEST_FOR_OWN` such crowns `usual` is the linking rule `lab_days`, and `is_own` is False.
    """

    usual: int
    own: int
    is_own: bool


@dataclass(frozen=True)
class Decisions:
    """Crowns on whose tooth the decision was due (see `decide`), or the teeth of the trial (`enter_trial`).

    With how they were found, and where the days of preparation come from.
    """

    rows: pl.DataFrame
    flow: tuple[FlowStep, ...]
    prep_days: PrepDays


def decide(
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    patients: pl.DataFrame,
    endo_details: pl.DataFrame,
    *,
    pulp: str,
    lab_days: int,
) -> Decisions:
    """Crowns on whose tooth it was to be decided, at the preparation, whether to treat the pulp first.

    Eligible is a single crown of the practice with a known seat, seated while its records run, if by the end of the
    day of the preparation

    - the pulp is recorded as `pulp`: "hyperemic" by `pulp_status_at_prep`, or by a reversible pulpitis recorded on that
      day or in the 30 days before; "normal" by `pulp_status_at_prep`;
    - neither necrosis nor irreversible pulpitis is recorded, at whatever time before: such pulps do not recover. Of
      several states recorded the worse counts;
    - no root canal was begun before that day: no course begun earlier, here or elsewhere, no repeat of an earlier one,
      no crown that is `before_seat` by a post, by a root canal elsewhere or by a pulp recorded as root-filled, no tooth
      recorded as treated or begun elsewhere. One begun on the day itself follows the decision.

    Crowns for which the order of root canal and seat is not known (`endo_timing` null) are not eligible.

    Returns one row per crown, sorted by crown: the columns of `crown_rows`, of `early_diagnoses` and

    - `decision_date`: the day of the preparation. Where it is not recorded, lies after the seat or more than
      `MOST_PREP_DAYS` before it, it is the seat less the practice's median (see `PrepDays`).
    - `decision_recorded`: false where it was so worked out.
    - `by_diagnosis`: true where a diagnosis alone says that the pulp was `pulp`.
    """
    known = pl.col("seat_date").is_not_null()
    single = own_crowns(crowns)
    seated = crown_rows(single.filter(known), patients)
    own = seated.filter(pl.col("entry_days") <= 0)
    prep_days = _prep_days(seated, lab_days)
    dated = _with_decision(own, prep_days)
    worked_out = dated.filter(~pl.col("decision_recorded")).height
    judged = early_diagnoses(dated, endo_details).with_columns(state=_state())
    wanted = [pulp, "irreversible", "necrotic"] if pulp == "hyperemic" else [pulp]
    chosen = judged.filter(pl.col("state").is_in(wanted))
    alive = chosen.filter(pl.col("state") != "necrotic")
    mild = alive.filter(pl.col("state") != "irreversible")
    ordered = mild.filter(pl.col("endo_timing").is_not_null())
    clear = ordered.filter(~_begun_before(ordered, courses))
    steps = (
        ("Crowns on permanent teeth", crowns, ""),
        (
            "Single crowns of this practice",
            single,
            "of another kind (retainer, onlay, prefabricated) or made elsewhere",
        ),
        ("Seat date known", seated, "seat date unknown"),
        ("Seated while these records run", own, "seated before the records begin"),
        ("Day of the preparation", dated, _about_days(dated.height - worked_out, worked_out, prep_days)),
        (STATES[pulp], chosen, "another state of the pulp, or none recorded"),
        (NO_NECROSIS, alive, "necrosis recorded by the day of the preparation"),
        (NO_IRREVERSIBLE, mild, "irreversible pulpitis recorded by that day"),
        ("Order of root canal and seat known", ordered, "a root canal elsewhere on an unknown day"),
        ("No root canal begun before the preparation", clear, "a root canal begun before that day"),
    )
    before = [crowns.height, *(frame.height for _, frame, _ in steps)]
    flow = tuple(
        # A reason is told with those that it took; that of the days takes none.
        FlowStep(step, frame.height, n - frame.height, why if n > frame.height or frame is dated else "", "crowns")
        for (step, frame, why), n in zip(steps, before, strict=False)
    )
    by_diagnosis = pl.col("pulp_status_at_prep").ne_missing(pulp)
    return Decisions(clear.with_columns(by_diagnosis=by_diagnosis).drop("state").sort("crown_id"), flow, prep_days)


def _prep_days(seated: pl.DataFrame, lab_days: int) -> PrepDays:
    lags = seated.filter(_dated()).select(days=_lag())["days"].sort()
    if len(lags) < FEWEST_FOR_OWN:
        return PrepDays(lab_days, len(lags), False)
    return PrepDays(int(lags[(len(lags) - 1) // 2]), len(lags), True)


def _lag() -> pl.Expr:
    return (pl.col("seat_date") - pl.col("prep_date")).dt.total_days()


def _dated() -> pl.Expr:
    return _lag().is_between(0, MOST_PREP_DAYS).fill_null(False)


def _with_decision(rows: pl.DataFrame, prep_days: PrepDays) -> pl.DataFrame:
    worked_out = pl.col("seat_date") - pl.duration(days=prep_days.usual)
    return rows.with_columns(
        decision_recorded=_dated(), decision_date=pl.when(_dated()).then("prep_date").otherwise(worked_out)
    )


def _about_days(recorded: int, worked_out: int, days: PrepDays) -> str:
    if not worked_out:
        return "recorded for all" if recorded else ""
    by = f"the middle of {days.own:,} crowns with both days" if days.is_own else "the setting lab_days"
    return f"recorded for {recorded:,}; for {worked_out:,} taken as {count(days.usual, 'day')} before the seat, {by}"


def _state() -> pl.Expr:
    """The state of the pulp by the day of the preparation; the worst that is recorded."""
    status = pl.col("pulp_status_at_prep")
    return (
        pl.when((status == "necrotic").fill_null(False) | pl.col("necrosis_by_prep"))
        .then(pl.lit("necrotic"))
        .when("irreversible_by_prep")
        .then(pl.lit("irreversible"))
        .when((status == "hyperemic").fill_null(False) | pl.col("reversible_by_prep"))
        .then(pl.lit("hyperemic"))
        .otherwise(status)
    )


def _begun_before(rows: pl.DataFrame, courses: pl.DataFrame) -> pl.Series:
    """True for each crown whose tooth had a root canal begun before the day of the decision."""
    own = (
        rows.select("crown_id", *KEY, "seat_date")
        .join(courses.select(*KEY, "course_id", "started", "kind"), on=KEY)
        .filter(pl.col("started") <= pl.col("seat_date"))
        .sort("started", "course_id")
    )
    first = own.group_by("crown_id", maintain_order=True).agg(
        first_started=pl.col("started").first(),
        # Of two courses begun on one day the repeat tells that there was one before.
        repeat=((pl.col("kind") == "retreatment") & (pl.col("started") == pl.col("started").first())).any(),
    )
    earlier = (pl.col("first_started") < pl.col("decision_date")).fill_null(False) | pl.col("repeat").fill_null(False)
    without_row = (pl.col("endo_timing") == "before_seat") & pl.col("first_started").is_null()
    filled = (pl.col("pulp_status_at_prep") == "root_filled").fill_null(False) | pl.col("treated_by_prep")
    joined = rows.select("crown_id", "decision_date", "endo_timing", "pulp_status_at_prep", "treated_by_prep").join(
        first, on="crown_id", how="left", maintain_order="left"
    )
    return joined.select(earlier | without_row | filled).to_series()
