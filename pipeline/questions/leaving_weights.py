"""The main comparison as if leaving had nothing to do with what is recorded: weights for who was still followed.

Crowns whose patients leave are thought to fare as those that stay. Where leaving hangs on things that also make crowns
fail (a crown that came loose, a crown lost before, sex or age), those that stay are no fair sample. A Cox model of
leaving on what is recorded up to the day gives each quarter of a year of follow-up the chance of still being followed
then; its inverse, stabilised by the chance given the state alone, weights the main model
(`stats/censoring_weights.py`). What came after the seat (a repair, another crown lost, symptoms) is in the model of
leaving only: the main model must not adjust for it.
"""

import datetime as dt
import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.outcomes import was_followed
from pipeline.questions.analysis import Analysis
from pipeline.questions.covariates import (
    Covariate,
    Design,
    DesignPlan,
    Levels,
    count_covariates,
    design,
    plan_design,
    strata,
)
from pipeline.questions.covariates import independent as without_repeats
from pipeline.questions.crown_longevity import SET_TO, can_standardise, model_states, state_columns, usable_spells
from pipeline.questions.crown_rows import STATES
from pipeline.questions.group_ratios import failed_patients_by_state, fit_states
from pipeline.questions.groups import days_of
from pipeline.questions.leaving import AWAY_DAYS, with_left
from pipeline.questions.question import OF_CROWNS
from pipeline.questions.verdict import DIFFERS, LITTLE_DIFFERENCE, decide, range_words, withheld
from pipeline.results import Comparison, Difference, Verdict
from pipeline.results.leaving import Weighed
from pipeline.stats.censoring_weights import expected_events, followed_weights
from pipeline.stats.cox import CoxFit, CoxInputError
from pipeline.stats.few_failures import Allowance, allow, careful_ratio
from pipeline.stats.inverse_weights import Weights
from pipeline.stats.spells import Floats
from pipeline.stats.standard_target import fitted_target
from pipeline.stats.standardise import standardise

QUARTER = 91
# Above so many stretches they are made longer, for room in memory.
MOST_STRETCHES = 200_000
TRUNCATED_AT = (0.01, 0.99)
# Leavings that the model asks for per column.
MIN_LEFT = 5
CONTRAST = ("through_crown", "before_seat")
CLINICIAN = Levels("provider_id", "clinician")
DIABETES = Levels("diabetes", "diabetes")
# What may come after the seat, each true from its day on.
SINCE: tuple[Levels, ...] = (
    Levels("repaired", "an earlier recement or repair of the crown"),
    Levels("other_lost", "an earlier loss of another crown of the patient"),
    Levels("symptoms", "symptoms found at a recall"),
)
# The same once the crown is opened: those opened may take a repair as the reason to go elsewhere, and others not.
SINCE_OPENED = tuple(Levels(f"{f.name}_opened", f"{f.label}, once it was opened") for f in SINCE)
EVERYTHING: tuple[Covariate, ...] = (*OF_CROWNS, DIABETES, *SINCE, *SINCE_OPENED, CLINICIAN)
# Of the rows' columns; cut in pieces, all others would take most of the room.
_LOOKED_AT = [
    *("crown_id", "patient_id", "provider_id", "state", "entry_days", "exit_days", "access_days", "event", "left"),
    *(f"{fact.name}_day" for fact in SINCE),
    *(c.name for c in (*OF_CROWNS, DIABETES)),
]


def with_weighed(
    main: Comparison, spells: pl.DataFrame, findings: pl.DataFrame, analysis: Analysis, *, cutoff: dt.date | None = None
) -> Comparison:
    """The main comparison with its weighted figures beside it, where it says anything of those who left.

    What the main figure claims and the weighted one does not is held back: it must not hang on those who left.
    """
    robustness = main.robustness
    if robustness is None or robustness.leaving is None:
        return main
    away = robustness.leaving.away_days
    weighed, notes = weigh_for_leaving(spells, findings, main.difference, analysis, cutoff=cutoff, away_days=away)
    leaving = replace(robustness.leaving, weighed=weighed, notes=(*robustness.leaving.notes, *notes))
    verdict = main.verdict
    if main.difference is not None and weighed is not None and (why := not_weighted(verdict, main.difference, weighed)):
        verdict = withheld(verdict, why)
    return replace(main, verdict=verdict, robustness=replace(robustness, leaving=leaving))


def not_weighted(verdict: Verdict, difference: Difference, weighed: Weighed) -> str:
    """Why what the main figure claims is not claimed, by the weighted one; empty where it may be."""
    if verdict.code not in (DIFFERS, LITTLE_DIFFERENCE):
        return ""
    if weighed.per_100 is None or weighed.ci_low is None or weighed.ci_high is None:
        return ""
    moved = replace(difference, per_100=weighed.per_100, ci_low=weighed.ci_low, ci_high=weighed.ci_high)
    code = decide(moved, (1, 1), smallest=verdict.smallest_difference_per_100, min_failures=0)
    if code == verdict.code and (code == LITTLE_DIFFERENCE or moved.per_100 * difference.per_100 > 0):
        return ""
    alone = "a difference" if verdict.code == DIFFERS else "a small difference at most"
    return (
        f"Alone this would pass for {alone}, but weighted for who stopped coming the range is {range_words(moved)} per "
        "100: nothing is claimed that hangs on those who left."
    )


def weigh_for_leaving(
    spells: pl.DataFrame,
    findings: pl.DataFrame,
    difference: Difference | None,
    analysis: Analysis,
    *,
    cutoff: dt.date | None = None,
    away_days: int = AWAY_DAYS,
) -> tuple[Weighed | None, tuple[str, ...]]:
    """The main adjusted ratio and difference, weighted for who left; None, and why, where there are none.

    `spells` are those of `state_spells`, with all columns of `crown_rows`; `difference`, the main one, says from which
    day to which year the weighted one runs.

    Models of leaving have the state, all recorded of `EVERYTHING` (without clinicians where leavings are few) and days
    since the seat as their clock. The weighted model is that of the main comparison, its rows cut every `stretch_days`,
    errors grouped by patient. Weights are taken as known, which as a rule makes ranges a little too wide.
    """
    rows = with_facts(with_left(spells, unit="crown_id", cutoff=cutoff, away_days=away_days), findings)
    rows = rows.select(_LOOKED_AT)
    left = int(rows["left"].sum())
    model, pieces = _model_of_leaving(rows), cut(rows, every=stretch_days(rows))
    if model is None:
        return None, (
            f"Not weighted for who left: {count(left, 'crown', 'was')} lost from sight, too few for a model of "
            "leaving.",
        )
    weights = _weights(model, pieces)
    found = weighted_fit(rows, pieces.with_columns(weight=pl.Series(weights.values)), analysis)
    if found is None:
        return None, ("Not weighted for who left: the weighted model has no answer.",)
    fit, fitted = found
    failed = failed_patients_by_state(rows)
    log = careful_ratio(fit, *CONTRAST, failed, confidence=analysis.confidence)
    known = bool(np.isfinite(log.se))
    per_100, ci_low, ci_high = _standardised(fit, fitted, difference, allow(fit, *CONTRAST, failed), analysis)
    figures = Weighed(
        reasons=model.reasons,
        left=left,
        teeth=rows["crown_id"].n_unique(),
        leaves_ratio=model.opened_ratio,
        weight_low=weights.low,
        weight_high=weights.high,
        stretches=len(weights.values),
        truncated=weights.n_truncated,
        hazard_ratio=float(np.exp(log.estimate)) if known else None,
        hr_low=float(np.exp(log.low)) if known else None,
        hr_high=float(np.exp(log.high)) if known else None,
        per_100=per_100,
        ci_low=ci_low,
        ci_high=ci_high,
    )
    return figures, ()


def with_facts(rows: pl.DataFrame, findings: pl.DataFrame) -> pl.DataFrame:
    """Add the day since the seat from which each of `SINCE` is true, as `<name>_day`; null where it never is.

    A crown of the same patient that fails on the same day as this one counts as lost from that day on.
    """
    lost = rows.filter("event").sort("exit_date", "crown_id").group_by("patient_id", maintain_order=True)
    firsts = lost.agg(
        first=pl.col("exit_date").first(),
        who=pl.col("crown_id").first(),
        second=pl.col("exit_date").get(1, null_on_oob=True),
    )
    other = pl.when(pl.col("who") == pl.col("crown_id")).then("second").otherwise("first")
    made = rows.join(firsts, on="patient_id", how="left", maintain_order="left").with_columns(other=other)
    seen = findings.filter(pl.col("symptomatic").fill_null(False)).select("patient_id", "tooth_fdi", "exam_date")
    crowns = rows.select("crown_id", "patient_id", "tooth_fdi", "seat_date").unique("crown_id")
    found = crowns.join(seen, on=["patient_id", "tooth_fdi"]).filter(pl.col("exam_date") > pl.col("seat_date"))
    found = found.group_by("crown_id").agg(exam=pl.col("exam_date").min())
    made = made.join(found, on="crown_id", how="left", maintain_order="left")
    since = {"repaired": "first_complication_date", "other_lost": "other", "symptoms": "exam"}
    days = {f"{name}_day": (pl.col(date) - pl.col("seat_date")).dt.total_days() for name, date in since.items()}
    return made.with_columns(**days).select(*rows.columns, *days)


def stretch_days(rows: pl.DataFrame) -> int:
    """How long a stretch of one weight is: a quarter of a year, or as many as keep the stretches to a number."""
    quarters = float((rows["exit_days"] - rows["entry_days"]).sum()) / QUARTER
    return QUARTER * max(1, math.ceil(quarters / MOST_STRETCHES))


def cut(rows: pl.DataFrame, *, every: int | None, past_the_last_visit: bool = False) -> pl.DataFrame:
    """Cut rows where a fact of `SINCE` becomes true, and `every` so many days since the seat.

    Adds `row` (of `rows`) and each fact of `SINCE` and `SINCE_OPENED` as it stands from the start of the piece on;
    event and `left` belong to a row's last piece. With `past_the_last_visit` those who left are followed one day
    longer: what was found or done at their last visit was known when they stayed away, an opening included.
    """
    longer = pl.when("left").then(1).otherwise(0) if past_the_last_visit else pl.lit(0)
    numbered = rows.with_row_index("row").with_columns(
        end=pl.col("exit_days") + longer, begin=pl.max_horizontal("entry_days", 0)
    )
    marks = [f"{fact.name}_day" for fact in SINCE]
    if past_the_last_visit:
        marks.append("access_days")
    inside = [
        numbered.filter(pl.col(mark) > pl.col("begin"), pl.col(mark) < pl.col("end")).select("row", day=mark)
        for mark in marks
    ]
    if every is not None:
        steps = pl.int_ranges((pl.col("begin") // every + 1) * every, "end", every)
        inside.append(numbered.select("row", day=steps).explode("day").drop_nulls())
    days = pl.concat([numbered.select("row", day="entry_days"), *inside]).unique().sort("row", "day")
    pieces = numbered.join(days, on="row", how="right", maintain_order="right").with_columns(
        until=pl.coalesce(pl.col("day").shift(-1).over("row"), "end")
    )
    is_last = pl.col("until") == pl.col("end")
    facts = {f.name: (pl.col(f"{f.name}_day") <= pl.max_horizontal("day", 0)).fill_null(False) for f in SINCE}
    # Only crowns opened after the seat have a day of access.
    opened = (pl.col("access_days") <= pl.col("day")).fill_null(False)
    made = pieces.with_columns(
        entry_days="day",
        exit_days="until",
        event=pl.col("event") & is_last,
        left=pl.col("left") & is_last,
        state=pl.when(opened).then(pl.lit("through_crown")).otherwise("state"),
        **facts,
    )
    is_opened = pl.col("state") == "through_crown"
    both = {pair.name: pl.col(fact.name) & is_opened for fact, pair in zip(SINCE, SINCE_OPENED, strict=True)}
    return made.with_columns(**both).select("row", *rows.columns, *facts, *both)


@dataclass(frozen=True, eq=False)
class _Model:
    """Models of leaving by everything and by the state alone; `states` are those that had enough leavings to differ."""

    everything: CoxFit
    state: CoxFit
    states: set[str]
    plan: DesignPlan
    reasons: tuple[str, ...]

    @property
    def opened_ratio(self) -> float | None:
        if not set(SET_TO) <= self.states:
            return None
        vector = {n: sign for n, sign in (("through_crown", 1.0), ("before_seat", -1.0)) if n in self.state.names}
        return float(np.exp(self.state.contrast(vector).estimate))

    def columns(self, pieces: pl.DataFrame) -> tuple[Floats, Floats]:
        """The columns of both models."""
        by_state = state_columns(pieces, self.states)
        kept = [self.plan.names.index(n) for n in self.everything.names if n in self.plan.names]
        return np.column_stack([by_state, self.plan.columns(pieces)[:, kept]]), by_state


def _model_of_leaving(rows: pl.DataFrame) -> _Model | None:
    pieces = cut(rows, every=None, past_the_last_visit=True).filter(was_followed())
    counts = pieces.group_by("state").agg(pl.col("left").sum())
    states = {state for state, left in counts.iter_rows() if left >= MIN_LEFT}
    if len(states) < 2:
        return None
    pieces = pieces.filter(pl.col("state").is_in(list(states)))
    by_state, left = state_columns(pieces, states), int(pieces["left"].sum())
    fit = partial(fit_states, pieces, event="left", by_patient=False)
    for covariates in (EVERYTHING, [c for c in EVERYTHING if c is not CLINICIAN]):
        plan = plan_design(count_covariates(pieces, covariates, event="left"), covariates)
        every = Design(plan.columns(pieces), plan.names, plan.used, plan.left_out, plan.missing, plan.of)
        made = without_repeats(every, by_state)
        names = (*model_states(states), *made.names)
        if not made.names or len(names) * MIN_LEFT > left:
            continue
        try:
            everything = fit(np.column_stack([by_state, made.x]), names=names)
            state = fit(by_state, names=model_states(states))
        except CoxInputError:
            continue
        if everything.converged and state.converged:
            return _Model(everything, state, states, plan, made.used)
    return None


def _weights(model: _Model, pieces: pl.DataFrame) -> Weights:
    """One weight a piece. A state without enough leavings leaves as the reference does."""
    much, little = model.columns(pieces)
    span = (pieces["entry_days"], pieces["exit_days"])
    expected = expected_events(model.everything, much, *span)
    by_state = expected_events(model.state, little, *span)
    return followed_weights(
        pieces["crown_id"], pieces["entry_days"], expected, by_state, group=pieces["state"], quantiles=TRUNCATED_AT
    )


def weighted_fit(rows: pl.DataFrame, pieces: pl.DataFrame, analysis: Analysis) -> tuple[CoxFit, pl.DataFrame] | None:
    """The adjusted model of the main comparison on the pieces of `rows`, each with its `weight`, and its rows.

    None where a group has no failure, or the model no answer.
    """
    with_failures = {s for s in STATES if rows.filter(pl.col("state") == s)["event"].sum()}
    if not set(SET_TO) <= with_failures:
        return None
    usable = usable_spells(rows.with_row_index("row"), with_failures)
    adjust = design(usable, OF_CROWNS)
    codes, n_strata = strata(usable, "provider_id", min_failures=analysis.min_stratum_failures)
    x = np.column_stack([state_columns(usable, with_failures), adjust.x])
    pieces = pieces.filter(pl.col("row").is_in(usable["row"].to_list()))
    place = np.searchsorted(usable["row"].to_numpy(), pieces["row"].to_numpy())
    names = (*model_states(with_failures), *adjust.names)
    stratum = codes[place] if n_strata > 1 else None
    try:
        fit = fit_states(pieces, x[place], names=names, stratum=stratum, weight="weight")
    except CoxInputError:
        return None
    return (fit, pieces) if fit.converged else None


def _standardised(
    fit: CoxFit, pieces: pl.DataFrame, difference: Difference | None, allowance: Allowance, analysis: Analysis
) -> tuple[float | None, float | None, float | None]:
    """The difference and its range by the weighted fit over the crowns with a root canal, each once and unweighted."""
    if difference is None or not can_standardise(fit):
        return None, None, None
    is_first = pieces["row"].is_first_distinct().to_numpy()
    in_state = pieces["state"].is_in(list(SET_TO)).to_numpy()
    horizon = days_of(difference.years)
    standard = standardise(
        fit,
        fitted_target(fit, is_first & in_state),
        states=SET_TO,
        day=horizon,
        from_day=difference.from_days,
        min_at_risk=analysis.min_at_risk,
    )
    pair = (difference.group, difference.reference)
    d = standard.difference(*pair, allowance=allowance, confidence=analysis.confidence)
    return (d.per_100, d.low, d.high) if np.isfinite(d.std_error) else (None, None, None)
