"""The other clock: how long a crown lasts once it has been opened, against one seated on a tooth treated before.

Curves start when the tooth is root-filled and crowned: at the opening, or at the seat. They compare old crowns with new
ones: an opened crown was some years old on that day, and crowns that wear out with age fail sooner from then on whether
or not the opening did anything. No curve since the opening can show crowns of equal age, since none of those treated
before was old on its first day. So the ratio and the difference that the verdict stands on are made at equal age: in a
Cox model whose clock is the age of the crown, where an opened crown enters on the day of its opening and is held
against crowns treated before that are as old as it is that day, and every day after. The difference is that of the
crowns that were opened: each from its own age at the opening on, for so many years, opened or treated before. Crowns of
unknown age count in the curve and not in the model.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.practice.outcomes import was_followed
from pipeline.questions.covariates import design, strata
from pipeline.questions.crown_longevity import (
    ADJUST,
    LABELS,
    OPENED,
    ROOT_CANAL,
    SET_TO,
    Analysis,
    Stands,
    adjusted_ratio,
    borne_out,
    empty_group,
    enough_for_ratio,
    failed_patients_by_state,
    failures_by_state,
    few_failures_note,
    fit_states,
    make_adjusted,
)
from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.questions.groups import days_of, make_group
from pipeline.questions.steady_ratio import (
    adjusted_of,
    allowance_of,
    judge_ratio,
    mean_years,
    overall_ratio,
    windows_of,
)
from pipeline.questions.verdict import Basis, Scales, write_verdict
from pipeline.questions.within_patient import compare_within_patients
from pipeline.results import DAYS_PER_YEAR, Comparison, Difference, Estimate, FlowStep
from pipeline.stats.cox import CoxFit, CoxInputError
from pipeline.stats.differences import Group as Rows
from pipeline.stats.differences import survival_difference
from pipeline.stats.few_failures import careful_ratio

# What every ratio here is adjusted for: the clock of the model, day by day.
AGE = "age of the crown"
STATES = ("through_crown", "before_seat")
WHAT_CURVES_SHOW = (
    "The curves compare opened crowns, some years old on the day they begin, with new ones: crowns that wear out with "
    "age fail sooner there even if the opening does nothing. The difference and the ratios are at equal crown age."
)


def opened_rows(crowns: pl.DataFrame, patients: pl.DataFrame) -> pl.DataFrame:
    """One row per crown with a root canal, on the clock since the opening or the seat.

    Columns: those of `crown_rows` with `entry_days, exit_days` counted from that start, `state` (the timing), `event`
    and `crown_age` in years at the start (0 for a crown seated on a treated tooth, null where the seat is unknown).
    """
    known = crown_rows(crowns, patients)
    unknown = crowns.filter(pl.col("seat_date").is_null(), pl.col("endo_timing") == "through_crown")
    unknown = crown_rows(unknown.with_columns(seat_date="access_date"), patients).with_columns(
        seat_date=pl.lit(None, pl.Date), access_days=pl.lit(0, pl.Int64), age_at_seat=pl.lit(None, pl.Float64)
    )
    # A crown of unknown age was moved to start at its opening; the others move by the days from seat to opening.
    both = pl.concat([known, unknown]).filter(pl.col("endo_timing").is_in(["before_seat", "through_crown"]))
    shift = pl.col("access_days").fill_null(0)
    timed = both.with_columns(
        entry_days=pl.max_horizontal(pl.col("entry_days") - shift, pl.lit(0)),
        exit_days=pl.col("exit_days") - shift,
        state="endo_timing",
        event="failure",
        crown_age=pl.when(pl.col("seat_date").is_not_null()).then(shift / DAYS_PER_YEAR),
    )
    return timed.filter(was_followed()).sort("crown_id")


def compare_since_opening(crowns: pl.DataFrame, patients: pl.DataFrame, analysis: Analysis) -> Comparison:
    """The secondary comparison, on the clock since the opening or the seat on a treated tooth."""
    rows = opened_rows(crowns, patients)
    rules = analysis.curve_rules()
    sides = {s: rows.filter(pl.col("state") == s) for s in ("before_seat", "through_crown")}
    groups = {s: make_group(f, name=s, label=LABELS[s], counted=f, rules=rules) for s, f in sides.items() if f.height}
    horizon = days_of(analysis.horizon_years)
    crude = None
    if len(groups) == 2 and all((g.stops_at_days or 0) >= horizon for g in groups.values()):
        crude = _difference(sides, horizon, analysis)
    aged = by_age(rows)
    estimates, notes, missing, fit = _estimates(aged, analysis)
    ratio = adjusted_ratio(estimates)
    stands = stand_at_equal_age(fit, aged, crude, ratio, analysis)
    # At equal age the same patients are those of the main comparison, whose vital crowns tell too.
    spells = state_spells(crown_rows(crowns, patients))
    within = compare_within_patients(spells, STATES, (*STATES, "vital"), ratio, confidence=analysis.confidence)
    notes.insert(0, WHAT_CURVES_SHOW)
    unknown = rows["seat_date"].null_count()
    if unknown:
        notes.append(f"{unknown} opened crowns of unknown age are in the curve and not in the hazard ratios.")
    return Comparison(
        id="crown_longevity_since_endo",
        title="How long crowns last once the tooth is root-filled",
        question="How long does a crown last after it was opened, compared with one seated on a root-filled tooth?",
        outcome="crown_failure",
        clock="since_opening_or_seat",
        groups=tuple(groups.values()),
        estimates=tuple(estimates),
        naive=None,
        difference=stands.difference,
        verdict=borne_out(
            write_verdict(
                Basis(
                    group=groups.get("through_crown") or empty_group("through_crown"),
                    reference=groups.get("before_seat") or empty_group("before_seat"),
                    difference=stands.difference,
                    horizon_years=analysis.horizon_years,
                    smallest_per_100=analysis.smallest_difference_per_100,
                    min_failures=analysis.min_failures,
                    years_of_records=_span(rows),
                    scales=Scales(stands.ratio),
                )
            ),
            within,
        ),
        flow=(FlowStep("Crowns on root-filled teeth", rows.height, 0, "", "crowns"),),
        missing=tuple(missing),
        notes=tuple(notes),
        horizon_years=analysis.horizon_years,
        crude_difference=crude,
        steady=stands.steady,
        mean_years=stands.mean_years,
        within_patient=within,
    )


def by_age(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows of `opened_rows` with a known seat on the clock of the crown's age: days since the seat.

    A crown last seen on the day of its opening has no day of follow-up on this clock, and no row.
    """
    shift = pl.col("access_days").fill_null(0)
    aged = rows.filter(pl.col("seat_date").is_not_null()).with_columns(
        entry_days=pl.col("entry_days") + shift, exit_days=pl.col("exit_days") + shift
    )
    return aged.filter(was_followed())


def stand_at_equal_age(
    fit: CoxFit | None, aged: pl.DataFrame, crude: Difference | None, ratio: Estimate | None, analysis: Analysis
) -> Stands:
    """The difference of the opened crowns at equal age, with the ratio beside it.

    Over the opened crowns that were open to observation at an age to which `min_at_risk` crowns treated before are
    followed too, `horizon_years` after their opening: past it the model would speak of crowns that nobody saw. No
    difference where fewer than `min_at_risk` are left, or where a curve does not reach the horizon (`crude` is None).
    """
    if fit is None:
        return Stands()
    opened = aged["access_days"].fill_null(0).cast(pl.Int64).to_numpy()
    judged = judge_ratio(fit, OPENED, start=opened, confidence=analysis.confidence)
    plain = None if ratio is None else (ratio.hazard_ratio, ratio.ci_low, ratio.ci_high)
    length = days_of(analysis.horizon_years)
    is_opened = (aged["state"] == "through_crown").to_numpy()
    chosen = np.flatnonzero(is_opened & (opened + length <= _followed_to(aged, analysis.min_at_risk)))
    if crude is None or not fit.converged or len(chosen) < analysis.min_at_risk:
        return Stands(ratio=plain, steady=judged.steady)
    windows = windows_of(
        fit,
        judged.changing,
        chosen,
        states={state: {"through_crown": SET_TO[state]["through_crown"]} for state in STATES},
        group=OPENED.group,
        start=opened[chosen],
        length=length,
        min_at_risk=analysis.min_at_risk,
    )
    allowance = allowance_of(fit, OPENED, ("through_crown",))
    changes = judged.changing is not None
    overall = overall_ratio(windows, OPENED, allowance, analysis.confidence) if changes else None
    d = adjusted_of(OPENED, windows, allowance, days=(0, length), confidence=analysis.confidence)
    made = make_adjusted(d, analysis.horizon_years)
    method = (
        f"adjusted, at equal age of the crown: {len(chosen):,} of {int(is_opened.sum()):,} opened crowns, each from "
        "its age at the opening on, standardised as opened and as treated before by the adjusted Cox model whose clock "
        f"is the age of the crown{', and in which the ratio may change since the opening' if changes else ''}; error "
        "by the infinitesimal jackknife grouped by patient"
    )
    return Stands(
        difference=None if made is None else replace(made, method=method),
        ratio=overall if changes else plain,
        steady=replace(judged.steady, overall=overall),
        mean_years=mean_years(
            windows,
            OPENED,
            years=analysis.horizon_years,
            from_days=0,
            allowance=allowance,
            confidence=analysis.confidence,
            noun="crowns",
        ),
        changes=changes,
    )


def _followed_to(aged: pl.DataFrame, min_at_risk: int) -> int:
    """The last age in days to which at least so many crowns treated before are followed; -1 if there is none."""
    before = aged.filter(pl.col("state") == "before_seat")
    entry, leave = np.sort(before["entry_days"].to_numpy()), np.sort(before["exit_days"].to_numpy())
    at_risk = np.searchsorted(entry, leave, side="left") - np.searchsorted(leave, leave, side="left")
    return int(leave[at_risk >= min_at_risk].max(initial=-1))


def _difference(sides: dict[str, pl.DataFrame], horizon: int, analysis: Analysis) -> Difference | None:
    group, reference = (
        Rows(f["exit_days"], f["event"], entry_days=f["entry_days"], cluster=f["patient_id"])
        for f in (sides["through_crown"], sides["before_seat"])
    )
    d = survival_difference(group, reference, [horizon], confidence=analysis.confidence)
    if np.isnan(d.std_error[0]):
        return None
    return Difference(
        group="through_crown",
        reference="before_seat",
        years=analysis.horizon_years,
        from_days=0,
        per_100=float(-100 * d.estimate[0]),
        ci_low=float(-100 * d.high[0]),
        ci_high=float(-100 * d.low[0]),
        method=(
            "difference of two Kaplan-Meier curves, variance grouped by patient; not adjusted for the age of the crown "
            "or anything else"
        ),
    )


def _estimates(aged: pl.DataFrame, analysis: Analysis) -> tuple[list[Estimate], list[str], list[str], CoxFit | None]:
    """Ratios at equal age, by age alone and adjusted, notes, what was missing, and the adjusted fit."""
    failures = failures_by_state(aged)
    if not enough_for_ratio(failures, ROOT_CANAL):
        few = [few_failures_note(LABELS[s].lower()) for s in ROOT_CANAL if not enough_for_ratio(failures, [s])]
        return [], few, [], None
    failed = failed_patients_by_state(aged)
    opened = (aged["state"] == "through_crown").cast(pl.Float64).to_numpy()[:, None]
    adjust = design(aged, ADJUST)
    codes, n_strata = strata(aged, "provider_id", min_failures=analysis.min_stratum_failures)
    by = ("clinician",) if n_strata > 1 else ()
    models: list[tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]] = [((AGE,), (), ())]
    if adjust.used or by:
        models.append(((AGE, *adjust.used), by, adjust.names))
    estimates: list[Estimate] = []
    notes: list[str] = []
    fit: CoxFit | None = None
    for used, stratified, names in models:
        x = np.column_stack([opened, adjust.x]) if names else opened
        try:
            fit = fit_states(aged, x, names=("through_crown", *names), stratum=codes if stratified else None)
        except CoxInputError as refused:
            notes.append(f"A model could not be fitted: {refused}")
            fit = None
            continue
        ratio = careful_ratio(fit, "through_crown", "before_seat", failed, confidence=analysis.confidence).exp()
        if not np.isfinite(ratio.se):
            notes.append("The hazard ratio grows without bound in these records and is not given.")
            continue
        estimates.append(
            Estimate(
                contrast="through_crown vs before_seat",
                model="cox",
                adjusted_for=used,
                stratified_by=stratified,
                hazard_ratio=ratio.estimate,
                ci_low=ratio.low,
                ci_high=ratio.high,
                p=ratio.p,
                clustered_on="patient_id",
                rows=fit.n_rows,
                crowns=aged.height,
                events=fit.n_events,
                clusters=fit.n_clusters or 0,
            )
        )
    return estimates, notes, list(adjust.missing), fit if len(models) == 2 else None


def _span(rows: pl.DataFrame) -> float:
    if rows.is_empty():
        return 0.0
    span = pl.col("exit_date").max() - pl.coalesce("access_date", "seat_date").min()
    return float(rows.select(span.dt.total_days()).item() / DAYS_PER_YEAR)
