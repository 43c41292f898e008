"""The decision on a tooth that is prepared for a crown: its day, which teeth it was due on, what was diagnosed by then.

But for later diagnoses nothing here looks past the day of the preparation, save for the date of the seat, which shows
that the crown was made, and a label that says that the order of root canal and seat is not known. So whatever is read
off the time after that day, a strategy with a time of grace included, can start from these rows. A diagnosis counts
from the day of the row that holds it: one recorded with a root canal after the preparation was not known then.
"""

from dataclasses import dataclass

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.tables import APICAL_DIAGNOSES, PULPAL_DIAGNOSES
from pipeline.questions.crown_rows import crown_rows, own_crowns
from pipeline.results import FlowStep

KEY = ["patient_id", "tooth_fdi"]
FIELDS = {"pulpal_diagnosis": PULPAL_DIAGNOSES, "apical_diagnosis": APICAL_DIAGNOSES}
IRREVERSIBLE = (
    "symptomatic_irreversible_pulpitis",
    "asymptomatic_irreversible_pulpitis",
    "irreversible_pulpitis",
)
TREATED = ("previously_treated", "previously_initiated")
OTHER_TEXT = "other"  # for words that are not ours: they may hold anything
# A reversible pulpitis speaks of the pulp at the preparation for so long; the diagnosis taken for adjustment is at most
# so old.
REVERSIBLE_DAYS = 30
BASELINE_DAYS = 180


def early_diagnoses(rows: pl.DataFrame, endo_details: pl.DataFrame) -> pl.DataFrame:
    """Add what `endo_details` says of the tooth by the end of the decision day (`decision_date`).

    One row per crown in and out. Adds

    - `pulpal_diagnosis, apical_diagnosis`: the latest recorded in the `BASELINE_DAYS` before the decision or on its
      day, each by itself; of several of one day, the one further down the declared list; "other" for a text that is no
      declared word; null where none is recorded.
    - `reversible_by_prep`: a reversible pulpitis recorded at most `REVERSIBLE_DAYS` before, or on the day itself.
    - `irreversible_by_prep, necrosis_by_prep, treated_by_prep`: recorded at any time up to that day.
    """
    told = _told(rows, endo_details).filter(pl.col("ago") >= 0)
    word = pl.col("pulpal_diagnosis")
    marks = told.group_by("crown_id").agg(
        reversible_by_prep=((word == "reversible_pulpitis") & (pl.col("ago") <= REVERSIBLE_DAYS)).any(),
        irreversible_by_prep=word.is_in(IRREVERSIBLE).any(),
        necrosis_by_prep=(word == "necrosis").any(),
        treated_by_prep=word.is_in(TREATED).any(),
    )
    flags = [name for name in marks.columns if name != "crown_id"]
    out = rows.join(marks, on="crown_id", how="left", maintain_order="left")
    out = out.with_columns(pl.col(flags).fill_null(False))
    return _join_latest(out, told.filter(pl.col("ago") <= BASELINE_DAYS), {name: name for name in FIELDS})


def later_diagnoses(rows: pl.DataFrame, endo_details: pl.DataFrame) -> pl.DataFrame:
    """Add what was recorded after the decision day and by the seat: no reason for the decision, but what came of it.

    Adds `pulpal_later, apical_later` (as in `early_diagnoses`) and `flare_date`: the first day of that time on which an
    irreversible pulpitis or a necrosis was recorded.
    """
    told = _told(rows, endo_details).filter(pl.col("ago") < 0, pl.col("service_date") <= pl.col("seat_date"))
    worse = pl.col("pulpal_diagnosis").is_in([*IRREVERSIBLE, "necrosis"])
    flared = told.filter(worse).group_by("crown_id").agg(flare_date=pl.col("service_date").min())
    out = rows.join(flared, on="crown_id", how="left", maintain_order="left")
    return _join_latest(out, told, {"pulpal_diagnosis": "pulpal_later", "apical_diagnosis": "apical_later"})


def _told(rows: pl.DataFrame, endo_details: pl.DataFrame) -> pl.DataFrame:
    """Recorded rows of each crown's tooth: `crown_id, seat_date, service_date, ago` (days before), the diagnoses."""
    own = endo_details.filter(~pl.col("supernumerary")).select(*KEY, "service_date", *FIELDS)
    joined = rows.select("crown_id", *KEY, "decision_date", "seat_date").join(own, on=KEY)
    return joined.with_columns(ago=(pl.col("decision_date") - pl.col("service_date")).dt.total_days())


def _join_latest(rows: pl.DataFrame, told: pl.DataFrame, names: dict[str, str]) -> pl.DataFrame:
    for field, name in names.items():
        words = FIELDS[field]
        place = pl.col(field).replace_strict({w: i for i, w in enumerate(words)}, default=-1, return_dtype=pl.Int64)
        known = told.filter(pl.col(field).is_not_null()).with_columns(
            pl.when(place < 0).then(pl.lit(OTHER_TEXT)).otherwise(field).alias(name), place=place
        )
        latest = known.sort("service_date", "place", descending=True).unique(
            "crown_id", keep="first", maintain_order=True
        )
        rows = rows.join(latest.select("crown_id", name), on="crown_id", how="left", maintain_order="left")
    return rows


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
