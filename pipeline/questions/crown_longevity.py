"""How long crowns last when the root canal is done before the seat, against through the crown.

A crown must last to be opened. So an opening enters the comparison on its own day, as a state that the crown passes
into, and is never counted from the seat; the comparison by label from the seat is shown beside it as the picture that
misleads [1].

References
----------
[1] Suissa S. Immortal time bias in pharmacoepidemiology. Am J Epidemiol 2008;167:492-499.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.questions.covariates import Covariate, Levels, Numeric, design, strata
from pipeline.questions.crown_rows import STATES, crown_rows, state_spells
from pipeline.questions.groups import CurveRules, curve_start, days_of, make_group
from pipeline.questions.verdict import Basis, write_verdict
from pipeline.results import DAYS_PER_YEAR, Comparison, Difference, Estimate, FlowStep, Group, Naive
from pipeline.stats.cox import CoxFit, CoxInputError, fit_cox
from pipeline.stats.differences import Group as Rows
from pipeline.stats.differences import survival_difference
from pipeline.stats.standard_target import fitted_target
from pipeline.stats.standardise import standardise

LABELS = {
    "before_seat": "Root canal before the seat",
    "through_crown": "Root canal through the crown",
    "vital": "No root canal so far",
}
CONTRASTS = (("through_crown", "before_seat"), ("through_crown", "vital"), ("before_seat", "vital"))
ADJUST: tuple[Covariate, ...] = (
    Numeric("age_at_seat", "age at the seat", 10.0),
    Levels("sex", "sex"),
    Levels("tooth_group", "tooth group"),
    Levels("material", "material"),
    Levels("bruxism", "bruxism"),
    Levels("smoker", "smoking"),
    Numeric("seat_year", "year of the seat", 5.0),
)
YEARS = (0.0, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0)


@dataclass(frozen=True)
class Analysis:
    """The choices of the comparison, each with its unit; the settings fill them."""

    horizon_years: float = 5.0
    smallest_difference_per_100: float = 5.0
    min_at_risk: int = 10
    max_step_per_100: float = 5.0
    min_failures: int = 10
    min_stratum_failures: int = 5
    confidence: float = 0.95

    def curve_rules(self) -> CurveRules:
        """When curves start and stop, and the years read off them."""
        years = tuple(sorted({*YEARS, float(self.horizon_years)}))
        return CurveRules(self.min_at_risk, self.max_step_per_100 / 100, self.confidence, years)


def compare_since_seat(crowns: pl.DataFrame, patients: pl.DataFrame, analysis: Analysis) -> Comparison:
    """The main comparison, on the clock since the seat."""
    rows = crown_rows(crowns, patients)
    spells = state_spells(rows)
    rules = analysis.curve_rules()
    groups = {
        name: make_group(
            spells.filter(pl.col("state") == name),
            name=name,
            label=LABELS[name],
            counted=rows.filter(pl.col("endo_timing") == name),
            rules=rules,
            late=name == "through_crown",
        )
        for name in STATES
        if spells.filter(pl.col("state") == name).height
    }
    estimates, notes, missing, fit = estimate_states(spells, analysis)
    crude = crude_difference(spells, groups, analysis)
    difference = adjusted_difference(fit, crude, analysis) or crude
    empty = [LABELS[name].lower() for name in STATES if name not in groups]
    notes = [*notes, *(f"No crown with {name}." for name in empty)]
    return Comparison(
        id="crown_longevity_by_endo_timing",
        title="How long crowns last: root canal before the seat or through the crown",
        question="Does opening a crown for a root canal shorten its life, compared with treating the tooth before?",
        outcome="crown_failure",
        clock="since_seat",
        groups=tuple(groups.values()),
        estimates=tuple(estimates),
        naive=_naive(rows, analysis),
        difference=difference,
        verdict=write_verdict(_basis(groups, difference, rows, analysis)),
        flow=_flow(crowns, rows, spells),
        missing=tuple(missing),
        notes=tuple(notes),
        horizon_years=analysis.horizon_years,
        crude_difference=crude,
    )


def adjusted_difference(fit: CoxFit | None, crude: Difference | None, analysis: Analysis) -> Difference | None:
    """The difference that the same crowns would show, opened instead of treated before, by the adjusted model.

    Standardised over the crowns with a root canal, each by its last row in the model, from the day on which the
    crude difference starts. None where there is no crude difference (a curve stops before the horizon), so that the
    model never speaks of years that no opened crown was followed for, or where the model has no answer.
    """
    if fit is None or crude is None or not {"before_seat", "through_crown"} <= set(fit.names) or not fit.converged:
        return None
    in_state = fit.design.rows.x[:, [fit.names.index(s) for s in ("before_seat", "through_crown")]]
    horizon = days_of(analysis.horizon_years)
    standard = standardise(
        fit,
        fitted_target(fit, in_state.sum(axis=1) > 0),
        states={
            "before_seat": {"before_seat": 1.0, "through_crown": 0.0},
            "through_crown": {"before_seat": 0.0, "through_crown": 1.0},
        },
        days=[horizon],
        from_day=crude.from_days,
        min_at_risk=analysis.min_at_risk,
    )
    d = standard.difference("through_crown", "before_seat", day=horizon, confidence=analysis.confidence)
    if not np.isfinite(d.std_error):
        return None
    return Difference(
        group="through_crown",
        reference="before_seat",
        years=analysis.horizon_years,
        from_days=crude.from_days,
        per_100=d.per_100,
        ci_low=d.low,
        ci_high=d.high,
        method=(
            "adjusted: both treatments standardised over the crowns with a root canal by the adjusted Cox model, "
            "error by the infinitesimal jackknife grouped by patient"
        ),
    )


def estimate_states(
    spells: pl.DataFrame, analysis: Analysis
) -> tuple[list[Estimate], list[str], list[str], CoxFit | None]:
    """Hazard ratios between the states, crude and adjusted, with errors clustered on the patient.

    Opening is a time-dependent state; the clock is days since the seat, with delayed entry. The adjusted model has a
    baseline hazard for each clinician with enough failures. Returns estimates, notes on what could not be estimated,
    what was missing, and the adjusted fit.
    """
    with_failures = {s for s in STATES if spells.filter(pl.col("state") == s)["event"].sum()}
    present = [s for s in STATES if s in set(spells["state"])]
    notes = [f"No failure with {LABELS[s].lower()}: no hazard ratio." for s in present if s not in with_failures]
    usable = spells.filter(pl.col("state").is_in(list(with_failures)), pl.col("exit_days") >= pl.col("entry_days"))
    if len(with_failures) < 2:
        return [], notes, [], None
    states = [s for s in ("before_seat", "through_crown") if s in with_failures]
    if "vital" not in with_failures:
        states = states[1:]
    indicators = np.column_stack([(usable["state"] == s).cast(pl.Float64).to_numpy() for s in states])
    adjust = design(usable, ADJUST)
    notes += [f"Not adjusted for {name}." for name in adjust.left_out]
    codes, n_strata = strata(usable, "provider_id", min_failures=analysis.min_stratum_failures)
    models: list[
        tuple[tuple[str, ...], tuple[str, ...], NDArray[np.float64], tuple[str, ...], NDArray[np.int64] | None]
    ]
    models = [((), (), indicators, tuple(states), None)]
    models.append(
        (
            adjust.used,
            ("clinician",) if n_strata > 1 else (),
            np.column_stack([indicators, adjust.x]),
            (*states, *adjust.names),
            codes if n_strata > 1 else None,
        )
    )
    estimates: list[Estimate] = []
    fit: CoxFit | None = None
    for used, by, x, names, stratum in models:
        try:
            fit = fit_states(usable, x, names=names, stratum=stratum)
        except CoxInputError as refused:
            notes.append(f"The {'adjusted' if used else 'crude'} model could not be fitted: {refused}")
            fit = None
            continue
        estimates += _contrasts(fit, usable, with_failures, used=used, by=by, confidence=analysis.confidence)
    return estimates, notes, list(adjust.missing), fit if adjust.used else None


def fit_states(
    spells: pl.DataFrame, x: NDArray[np.float64], *, names: tuple[str, ...], stratum: NDArray[np.int64] | None
) -> CoxFit:
    """Cox model of spells in states, entries before the end of day 0 counted as there from the start."""
    entry = spells["entry_days"].to_numpy()
    return fit_cox(
        x,
        spells["exit_days"].to_numpy(),
        spells["event"].to_numpy(),
        names=names,
        entry_days=np.where(entry <= 0, -1, entry),
        strata=stratum,
        cluster=patient_codes(spells),
    )


def patient_codes(frame: pl.DataFrame) -> NDArray[np.int64]:
    """Patients as whole numbers, for the clustered errors."""
    return frame["patient_id"].rank("dense").cast(pl.Int64).to_numpy() - 1


def _contrasts(
    fit: CoxFit,
    spells: pl.DataFrame,
    states: set[str],
    *,
    used: tuple[str, ...],
    by: tuple[str, ...],
    confidence: float,
) -> list[Estimate]:
    out = []
    for group, reference in CONTRASTS:
        if group not in states or reference not in states:
            continue
        vector = {name: sign for name, sign in ((group, 1.0), (reference, -1.0)) if name in fit.names}
        log = fit.contrast(vector, confidence=confidence)
        if not np.isfinite(log.se):
            continue
        out.append(
            Estimate(
                contrast=f"{group} vs {reference}",
                model="cox_time_varying",
                adjusted_for=used,
                stratified_by=by,
                hazard_ratio=float(np.exp(log.estimate)),
                ci_low=float(np.exp(log.low)),
                ci_high=float(np.exp(log.high)),
                p=log.p,
                clustered_on="patient_id",
                rows=fit.n_rows,
                crowns=spells["crown_id"].n_unique(),
                events=fit.n_events,
                clusters=fit.n_clusters or 0,
            )
        )
    return out


def crude_difference(spells: pl.DataFrame, groups: dict[str, Group], analysis: Analysis) -> Difference | None:
    """Failures per 100 by the horizon, opened minus done before, from the day the opened group is large enough."""
    horizon = days_of(analysis.horizon_years)
    sides = {s: spells.filter(pl.col("state") == s) for s in ("through_crown", "before_seat")}
    if any(s not in groups or (groups[s].stops_at_days or 0) < horizon for s in sides):
        return None
    start = curve_start(sides["through_crown"], rules=analysis.curve_rules())
    if start is None or start >= horizon:
        return None
    rows = {
        s: Rows(f["exit_days"], f["event"], entry_days=f["entry_days"], cluster=f["patient_id"])
        for s, f in sides.items()
    }
    d = survival_difference(
        rows["through_crown"], rows["before_seat"], [horizon], from_day=start, confidence=analysis.confidence
    )
    if np.isnan(d.std_error[0]):
        return None
    return Difference(
        group="through_crown",
        reference="before_seat",
        years=analysis.horizon_years,
        from_days=start,
        per_100=float(-100 * d.estimate[0]),
        ci_low=float(-100 * d.high[0]),
        ci_high=float(-100 * d.low[0]),
        method=(
            "difference of two Kaplan-Meier curves, openings entering on their own day, "
            "variance grouped by patient; not adjusted"
        ),
    )


def _naive(rows: pl.DataFrame, analysis: Analysis) -> Naive | None:
    """The comparison by label from the seat, as one would make it by hand."""
    labelled = rows.filter(pl.col("endo_timing").is_in(["before_seat", "through_crown"]))
    spells = labelled.with_columns(event="failure", state="endo_timing")
    if spells.group_by("state").agg(pl.col("event").sum()).filter(pl.col("event") > 0).height < 2:
        return None
    x = (spells["state"] == "through_crown").cast(pl.Float64).to_numpy()[:, None]
    try:
        fit = fit_states(spells, x, names=("through_crown",), stratum=None)
    except CoxInputError:
        return None
    ratio = fit.hazard_ratio("through_crown", confidence=analysis.confidence)
    horizon = days_of(analysis.horizon_years)
    shares = []
    for name in ("before_seat", "through_crown"):
        group = make_group(
            spells.filter(pl.col("state") == name), name=name, label="", counted=labelled, rules=analysis.curve_rules()
        )
        at = [m.survival for m in group.milestones if days_of(m.years) == horizon]
        if at and at[0] is not None:
            shares.append((name, at[0]))
    return Naive(
        contrast="through_crown vs before_seat",
        hazard_ratio=ratio.estimate,
        ci_low=ratio.low,
        ci_high=ratio.high,
        why_biased="immortal time",
        explanation=(
            "Counted by label from the seat, a crown opened later is credited with all the years it lasted before it "
            "was opened, years in which it could not have failed as an opened crown. That makes opening look harmless."
        ),
        survival=tuple(shares),
    )


def _basis(groups: dict[str, Group], difference: Difference | None, rows: pl.DataFrame, analysis: Analysis) -> Basis:
    span = (pl.col("exit_date").max() - pl.col("entry_date").min()).dt.total_days()
    years = float(rows.select(span).item() or 0) / DAYS_PER_YEAR
    return Basis(
        group=groups.get("through_crown") or empty_group("through_crown"),
        reference=groups.get("before_seat") or empty_group("before_seat"),
        difference=difference,
        horizon_years=analysis.horizon_years,
        smallest_per_100=analysis.smallest_difference_per_100,
        min_failures=analysis.min_failures,
        years_of_records=years,
    )


def empty_group(name: str) -> Group:
    """A group that no crown belongs to."""
    return Group(name, LABELS[name], 0, 0, 0, 0.0, 0.0, 0.0, 0.0)


def _flow(crowns: pl.DataFrame, rows: pl.DataFrame, spells: pl.DataFrame) -> tuple[FlowStep, ...]:
    unknown = crowns.height - rows.height
    followed = rows.filter(pl.col("exit_days") > pl.col("entry_days")).height
    return (
        FlowStep("Crowns on permanent teeth", crowns.height, 0, "", "crowns"),
        FlowStep("Seat date known", rows.height, unknown, "done elsewhere at an unknown time", "crowns"),
        FlowStep(
            "Followed after the seat", followed, rows.height - followed, "not seen again after the seat", "crowns"
        ),
    )
