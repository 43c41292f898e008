"""The other clock: how long a crown lasts once it has been opened, against one seated on a tooth treated before.

Here both clocks start when the tooth is root-filled and crowned: at the opening, or at the seat. The crowns differ in
age on that day, so the model adjusts for it. Crowns of unknown age count in the curve and not in the model.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.questions.covariates import Numeric, design, strata
from pipeline.questions.crown_longevity import (
    ADJUST,
    LABELS,
    ROOT_CANAL,
    Analysis,
    empty_group,
    enough_for_ratio,
    failed_patients_by_state,
    failures_by_state,
    few_failures_note,
    fit_states,
)
from pipeline.questions.crown_rows import crown_rows, was_followed
from pipeline.questions.groups import days_of, make_group
from pipeline.questions.verdict import Basis, write_verdict
from pipeline.results import DAYS_PER_YEAR, Comparison, Difference, Estimate, FlowStep
from pipeline.stats.cox import CoxInputError
from pipeline.stats.differences import Group as Rows
from pipeline.stats.differences import survival_difference
from pipeline.stats.few_failures import careful_ratio

CROWN_AGE = Numeric("crown_age", "age of the crown at the start", 1.0)


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
    difference = None
    if len(groups) == 2 and all((g.stops_at_days or 0) >= horizon for g in groups.values()):
        difference = _difference(sides, horizon, analysis)
    estimates, notes, missing = _estimates(rows, analysis)
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
        difference=difference,
        verdict=write_verdict(
            Basis(
                group=groups.get("through_crown") or empty_group("through_crown"),
                reference=groups.get("before_seat") or empty_group("before_seat"),
                difference=difference,
                horizon_years=analysis.horizon_years,
                smallest_per_100=analysis.smallest_difference_per_100,
                min_failures=analysis.min_failures,
                years_of_records=_span(rows),
            )
        ),
        flow=(FlowStep("Crowns on root-filled teeth", rows.height, 0, "", "crowns"),),
        missing=tuple(missing),
        notes=tuple(notes),
        horizon_years=analysis.horizon_years,
    )


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
        method="difference of two Kaplan-Meier curves, variance grouped by patient; not adjusted",
    )


def _estimates(rows: pl.DataFrame, analysis: Analysis) -> tuple[list[Estimate], list[str], list[str]]:
    known = rows.filter(pl.col("seat_date").is_not_null())
    failures = failures_by_state(known)
    if not enough_for_ratio(failures, ROOT_CANAL):
        return [], [few_failures_note(LABELS[s].lower()) for s in ROOT_CANAL if not enough_for_ratio(failures, [s])], []
    failed = failed_patients_by_state(known)
    opened = (known["state"] == "through_crown").cast(pl.Float64).to_numpy()[:, None]
    adjust = design(known, (CROWN_AGE, *ADJUST))
    codes, n_strata = strata(known, "provider_id", min_failures=analysis.min_stratum_failures)
    age = adjust.x[:, [adjust.names.index("crown_age")]] if "crown_age" in adjust.names else np.empty((len(opened), 0))
    models = [
        ((CROWN_AGE.label,) if age.shape[1] else (), (), np.column_stack([opened, age]), None),
        (
            adjust.used,
            ("clinician",) if n_strata > 1 else (),
            np.column_stack([opened, adjust.x]),
            codes if n_strata > 1 else None,
        ),
    ]
    estimates: list[Estimate] = []
    notes: list[str] = []
    for used, by, x, stratum in models:
        names = ("through_crown", *(("crown_age",) if x.shape[1] == 1 + age.shape[1] else adjust.names))
        try:
            fit = fit_states(known, x, names=names[: x.shape[1]], stratum=stratum)
        except CoxInputError as refused:
            notes.append(f"A model could not be fitted: {refused}")
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
                stratified_by=by,
                hazard_ratio=ratio.estimate,
                ci_low=ratio.low,
                ci_high=ratio.high,
                p=ratio.p,
                clustered_on="patient_id",
                rows=fit.n_rows,
                crowns=known.height,
                events=fit.n_events,
                clusters=fit.n_clusters or 0,
            )
        )
    return estimates, notes, list(adjust.missing)


def _span(rows: pl.DataFrame) -> float:
    if rows.is_empty():
        return 0.0
    span = pl.col("exit_date").max() - pl.coalesce("access_date", "seat_date").min()
    return float(rows.select(span.dt.total_days()).item() / DAYS_PER_YEAR)
