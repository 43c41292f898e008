"""How long crowns last when the root canal is done before the seat, against through the crown.

A crown must last to be opened. So an opening enters the comparison on its own day, as a state that the crown passes
into, and is never counted from the seat; the comparison by label from the seat is shown beside it as the picture that
misleads [1].

References
----------
[1] Suissa S. Immortal time bias in pharmacoepidemiology. Am J Epidemiol 2008;167:492-499.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.questions.covariates import Covariate, Levels, Numeric, design, strata
from pipeline.questions.crown_rows import STATES, crown_rows, state_spells
from pipeline.questions.groups import CurveRules, curve_start, days_of, make_group
from pipeline.questions.steady_ratio import (
    Changing,
    Contrast,
    adjusted_of,
    allowance_of,
    judge_ratio,
    mean_years,
    overall_ratio,
    windows_of,
)
from pipeline.questions.verdict import DIFFERS, Basis, Scales, withheld, write_verdict
from pipeline.questions.within_patient import compare_within_patients
from pipeline.results import DAYS_PER_YEAR, Comparison, Difference, Estimate, FlowStep, Group, Naive, Verdict
from pipeline.results.steady import MeanYears, Steady, WithinPatient
from pipeline.stats.cox import CoxEstimate, CoxFit, CoxInputError, fit_cox
from pipeline.stats.differences import Differences, survival_difference
from pipeline.stats.differences import Group as Rows
from pipeline.stats.few_failures import MIN_FAILURES_OF_RATIO, allow, careful_ratio, failed_in, failed_patients
from pipeline.stats.firth import fit_firth
from pipeline.stats.kaplan_meier import first_day_with
from pipeline.stats.risk_table import RiskTable, risk_table
from pipeline.stats.standard_target import fitted_target
from pipeline.stats.standardise import standardise
from pipeline.stats.standardise_windows import Windows
from pipeline.stats.standardised import AdjustedDifference

Fitted = TypeVar("Fitted", bound=CoxEstimate)

LABELS = {
    "before_seat": "Root canal before the seat",
    "through_crown": "Root canal through the crown",
    "vital": "No root canal so far",
}
# The states that are compared: the reference first.
ROOT_CANAL = ("before_seat", "through_crown")
# Each of them as columns of the model, for the standardised difference.
SET_TO = {state: {other: float(other == state) for other in ROOT_CANAL} for state in ROOT_CANAL}
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
PENALISED = (
    "One group has no failure: its ratio is a penalised estimate (Firth) that is not adjusted and takes every crown as "
    "its own. Only its limits tell something: how large or small the ratio may still be."
)
# Horizons for groups that are not followed to the one asked for.
SHORTER_YEARS = (3.0, 1.0)
YEARS = (0.0, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0)


@dataclass(frozen=True)
class Analysis:
    """The choices of the comparison, each with its unit; the settings fill them."""

    horizon_years: float = 5.0
    smallest_difference_per_100: float = 5.0
    min_at_risk: int = 10
    max_step_per_100: float = 5.0
    min_failures: int = 5
    min_stratum_failures: int = 5
    confidence: float = 0.95

    def curve_rules(self) -> CurveRules:
        """When curves start and stop, and the years read off them."""
        years = tuple(sorted({*YEARS, float(self.horizon_years)}))
        return CurveRules(self.min_at_risk, self.max_step_per_100 / 100, self.confidence, years)


NOT_CHECKED = (
    "Where the comparison is made in parts, the ratio is taken as steady without a test, and neither mean years in "
    "place nor the ratio within patients are worked out."
)


def compare_since_seat(
    crowns: pl.DataFrame, patients: pl.DataFrame, analysis: Analysis, *, checks: bool = True
) -> Comparison:
    """The main comparison, on the clock since the seat.

    Without `checks` it is that made in parts: no test of the ratio, mean years or comparison within patients.
    """
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
    ratio = adjusted_ratio(estimates)
    within = None
    if checks:
        stands = stand(fit, spells, crude, ratio, analysis)
        within = compare_within_patients(spells, CONTRASTS[0], STATES, ratio, confidence=analysis.confidence)
    else:
        stands = replace(difference_by(fit, None, crude, ratio, analysis), checked=False)
    return comparison_of(
        groups,
        estimates=estimates,
        notes=notes,
        missing=missing,
        naive=_naive(rows, analysis),
        crude=crude,
        stands=stands,
        flow=flow_of(count_flow(crowns, rows)),
        years=_years_of_records(rows),
        analysis=analysis,
        within=within,
    )


def comparison_of(
    groups: dict[str, Group],
    *,
    estimates: Sequence[Estimate],
    notes: Sequence[str],
    missing: Sequence[str],
    naive: Naive | None,
    crude: Difference | None,
    stands: Stands,
    flow: tuple[FlowStep, ...],
    years: float,
    analysis: Analysis,
    within: WithinPatient | None = None,
) -> Comparison:
    """The main comparison that its figures make.

    The verdict stands on the adjusted difference; a crude one is shown where there is no other, and claims nothing. A
    claim that `within` disagrees with is not made.
    """
    told = [groups[s].failures for s in ROOT_CANAL if s in groups]
    if min(told, default=0) < analysis.min_failures:
        stands, crude = replace(stands, difference=None, mean_years=None), None  # too early for a range
    difference = stands.difference or crude
    verdict = write_verdict(_basis(groups, difference, stands, years, analysis))
    empty = [LABELS[name].lower() for name in STATES if name not in groups]
    return Comparison(
        id="crown_longevity_by_endo_timing",
        title="How long crowns last: root canal before the seat or through the crown",
        question="Does opening a crown for a root canal shorten its life, compared with treating the tooth before?",
        outcome="crown_failure",
        clock="since_seat",
        groups=tuple(groups.values()),
        estimates=tuple(estimates),
        naive=naive,
        difference=difference,
        verdict=borne_out(verdict, within),
        flow=flow,
        missing=tuple(missing),
        notes=(*([] if stands.checked else [NOT_CHECKED]), *notes, *(f"No crown with {name}." for name in empty)),
        horizon_years=analysis.horizon_years,
        crude_difference=crude,
        steady=stands.steady,
        mean_years=stands.mean_years,
        within_patient=within,
    )


def borne_out(verdict: Verdict, within: WithinPatient | None) -> Verdict:
    """The verdict as it may be said beside the check within patients."""
    if verdict.code != DIFFERS or within is None or within.agrees is not False:
        return verdict
    return withheld(verdict, f"Alone this would pass for a difference, but nothing is claimed. {within.sentence}")


def adjusted_ratio(estimates: Sequence[Estimate], contrast: tuple[str, str] = CONTRASTS[0]) -> Estimate | None:
    """The ratio of a contrast that adjusts for most; None where none is adjusted."""
    name = " vs ".join(contrast)
    adjusted = [e for e in estimates if e.contrast == name and (e.adjusted_for or e.stratified_by)]
    return adjusted[-1] if adjusted else None


@dataclass(frozen=True)
class Stands:
    """What the verdict stands on: the adjusted difference, the ratio beside it with its limits, and what is told of it.

    `changes` says whether the difference comes from a model in which the ratio of opened crowns changes.
    """

    difference: Difference | None = None
    ratio: tuple[float, float, float] | None = None
    steady: Steady | None = None
    mean_years: MeanYears | None = None
    changes: bool = False
    checked: bool = True


OPENED = Contrast(
    "through_crown", "before_seat", "the opening", ("root canal through the crown", "root canal before the seat")
)


def stand(
    fit: CoxFit | None,
    spells: pl.DataFrame,
    crude: Difference | None,
    ratio: Estimate | None,
    analysis: Analysis,
) -> Stands:
    """The adjusted difference with the ratio beside it, with phases unless the ratio was found steady."""
    if fit is None:
        return Stands()
    judged = judge_ratio(fit, OPENED, start=opened_on(fit, spells), confidence=analysis.confidence)
    found = difference_by(fit, judged.changing, crude, ratio, analysis)
    overall = found.ratio if judged.changing is not None else None
    windows = None
    if crude is not None and found.difference is not None:
        windows = _windows(fit, judged.changing, crude, analysis)
    return replace(
        found,
        steady=replace(judged.steady, overall=overall),
        mean_years=None
        if windows is None or crude is None
        else mean_years(
            windows,
            OPENED,
            years=crude.years,
            from_days=crude.from_days,
            allowance=allowance_of(fit, OPENED, ROOT_CANAL),
            confidence=analysis.confidence,
            noun="crowns",
        ),
    )


def difference_by(
    fit: CoxFit | None,
    changing: Changing | None,
    crude: Difference | None,
    ratio: Estimate | None,
    analysis: Analysis,
) -> Stands:
    """The adjusted difference and ratio: by the fit itself, or by the model with phases of opened crowns."""
    plain = None if ratio is None else (ratio.hazard_ratio, ratio.ci_low, ratio.ci_high)
    if changing is None:
        return Stands(adjusted_difference(fit, crude, analysis), plain)
    if fit is None or crude is None or not can_standardise(fit):
        return Stands(None, plain, changes=True)
    windows = _windows(fit, changing, crude, analysis)
    allowance = allowance_of(fit, OPENED, ROOT_CANAL)
    day, confidence = days_of(crude.years), analysis.confidence
    d = adjusted_of(OPENED, windows, allowance, days=(crude.from_days, day), confidence=confidence)
    made = make_adjusted(d, crude.years)
    method = (
        "adjusted: both treatments standardised over the crowns with a root canal by an adjusted Cox model in which "
        "the ratio may change since the opening: the same crowns, all opened on the day from which the difference "
        "counts, or treated before; error by the infinitesimal jackknife grouped by patient, or the model's where that "
        "is larger; limits from those of the two shares, by Student's t with few failures"
    )
    return Stands(
        None if made is None else replace(made, method=method),
        overall_ratio(windows, OPENED, allowance, confidence),
        changes=True,
    )


def opened_on(fit: CoxFit, spells: pl.DataFrame) -> NDArray[np.int64]:
    """The day of the opening of each row of the fit, 0 for a crown that was not opened."""
    with_failures = {s for s in STATES if spells.filter(pl.col("state") == s)["event"].sum()}
    usable = usable_spells(spells, with_failures)
    if usable.height != fit.n_rows:
        raise ValueError("The fit is not of these spells.")
    return usable["access_days"].fill_null(0).cast(pl.Int64).to_numpy()


def _windows(fit: CoxFit, changing: Changing | None, crude: Difference, analysis: Analysis) -> Windows:
    in_state = fit.design.rows.x[:, [fit.names.index(s) for s in ROOT_CANAL]]
    return windows_of(
        fit,
        changing,
        in_state.sum(axis=1) > 0,
        states=SET_TO,
        group=OPENED.group,
        start=crude.from_days,
        length=days_of(crude.years) - crude.from_days,
        min_at_risk=analysis.min_at_risk,
    )


def adjusted_difference(fit: CoxFit | None, crude: Difference | None, analysis: Analysis) -> Difference | None:
    """The difference that the same crowns would show, opened instead of treated before, by the adjusted model.

    Standardised over the crowns with a root canal, each by its last row in the model, from the day on which the
    crude difference starts to its horizon. None where there is no crude difference, so that the model never speaks of
    years that no opened crown was followed for, or where the model has no answer.
    """
    if fit is None or crude is None or not can_standardise(fit):
        return None
    in_state = fit.design.rows.x[:, [fit.names.index(s) for s in ROOT_CANAL]]
    horizon = days_of(crude.years)
    standard = standardise(
        fit,
        fitted_target(fit, in_state.sum(axis=1) > 0),
        states=SET_TO,
        day=horizon,
        from_day=crude.from_days,
        min_at_risk=analysis.min_at_risk,
    )
    pair = ("through_crown", "before_seat")
    allowance = allow(fit, *pair, {state: failed_in(fit, state) for state in pair})
    d = standard.difference(*pair, allowance=allowance, confidence=analysis.confidence)
    return make_adjusted(d, crude.years)


def can_standardise(fit: CoxEstimate) -> bool:
    """Whether a model has both states with a root canal, and an answer."""
    return set(ROOT_CANAL) <= set(fit.names) and fit.converged


def make_adjusted(d: AdjustedDifference, years: float) -> Difference | None:
    """The adjusted difference by so many years in the words of the results; None without an error."""
    if not np.isfinite(d.std_error):
        return None
    return Difference(
        group="through_crown",
        reference="before_seat",
        years=years,
        from_days=d.from_day,
        per_100=d.per_100,
        ci_low=d.low,
        ci_high=d.high,
        method=(
            "adjusted: both treatments standardised over the crowns with a root canal by the adjusted Cox model, "
            "error by the infinitesimal jackknife grouped by patient, or the model's where that is larger; limits from "
            "those of the two shares, by Student's t with few failures"
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
    notes = notes_on_states(with_failures, set(spells["state"].unique()))
    penalised = penalised_ratio(spells, analysis)
    if penalised:
        notes.append(PENALISED)
    if len(with_failures) < 2:
        return penalised, notes, [], None
    usable = usable_spells(spells, with_failures)
    adjust = design(usable, ADJUST)
    notes += [f"Not adjusted for {name}." for name in adjust.left_out]
    codes, n_strata = strata(usable, "provider_id", min_failures=analysis.min_stratum_failures)
    x = np.column_stack([state_columns(usable, with_failures), adjust.x])
    models = state_models(with_failures, adjust.used, adjust.names, n_strata)

    def fit(model: StateModel) -> CoxFit:
        return fit_states(
            usable, x[:, : len(model.names)], names=model.names, stratum=codes if model.stratified_by else None
        )

    estimates, told, adjusted = estimates_of(
        models,
        fit,
        failures=failures_by_state(usable),
        failed=failed_patients_by_state(usable),
        crowns=usable["crown_id"].n_unique(),
        confidence=analysis.confidence,
    )
    return [*penalised, *estimates], notes + told, list(adjust.missing), adjusted if adjust.used else None


def penalised_ratio(spells: pl.DataFrame, analysis: Analysis) -> list[Estimate]:
    """Firth's ratio of opened over treated before, where one of them has no failure and the other enough; else none.

    A Cox model has no finite ratio then. The penalised one is pulled towards none; what it tells is its far limit, how
    large (or small) the ratio may still be. Not adjusted: without a failure in a group nothing can be adjusted for.
    """
    failures = failures_by_state(spells.filter(pl.col("state").is_in(ROOT_CANAL)))
    if set(failures) != set(ROOT_CANAL) or min(failures.values()) or max(failures.values()) < MIN_FAILURES_OF_RATIO:
        return []
    rows = usable_spells(spells, set(ROOT_CANAL))
    entry = rows["entry_days"].to_numpy()
    try:
        fit = fit_firth(
            through_column(rows),
            rows["exit_days"].to_numpy(),
            rows["event"].to_numpy(),
            names=("through_crown",),
            entry_days=np.where(entry <= 0, -1, entry),
        )
    except CoxInputError:
        return []
    ratio = fit.hazard_ratio("through_crown", confidence=analysis.confidence)
    if not (fit.converged and np.isfinite([ratio.low, ratio.high]).all() and ratio.low > 0):
        return []
    return [
        Estimate(
            contrast="through_crown vs before_seat",
            model="cox_penalised",
            adjusted_for=(),
            stratified_by=(),
            hazard_ratio=ratio.estimate,
            ci_low=ratio.low,
            ci_high=ratio.high,
            p=ratio.p,
            clustered_on="",
            rows=fit.n_rows,
            crowns=rows["crown_id"].n_unique(),
            events=fit.n_events,
            clusters=rows["patient_id"].n_unique(),
        )
    ]


@dataclass(frozen=True)
class StateModel:
    """A Cox model of the states: the labels of what it adjusts for and has strata by, and its columns by name.

    Its columns are the first of those of the adjusted model.
    """

    used: tuple[str, ...]
    stratified_by: tuple[str, ...]
    names: tuple[str, ...]


def notes_on_states(with_failures: set[str], present: set[str]) -> list[str]:
    """What is said of states that have rows and no failure."""
    return [
        f"No failure with {LABELS[s].lower()}: no hazard ratio."
        for s in STATES
        if s in present and s not in with_failures
    ]


def usable_spells(spells: pl.DataFrame, with_failures: set[str]) -> pl.DataFrame:
    """The rows of the models: those of states that have failures."""
    return spells.filter(pl.col("state").is_in(list(with_failures)), pl.col("exit_days") >= pl.col("entry_days"))


def model_states(with_failures: set[str]) -> tuple[str, ...]:
    """The states that have a column; the reference is vital, or the first where no vital crown failed."""
    states = tuple(s for s in ROOT_CANAL if s in with_failures)
    return states if "vital" in with_failures else states[1:]


def state_columns(spells: pl.DataFrame, with_failures: set[str]) -> NDArray[np.float64]:
    """The columns of `model_states`: 1 where a row is in the state."""
    states = model_states(with_failures)
    return np.column_stack([(spells["state"] == s).cast(pl.Float64).to_numpy() for s in states])


def state_models(
    with_failures: set[str], used: tuple[str, ...], columns: tuple[str, ...], n_strata: int
) -> tuple[StateModel, ...]:
    """The crude model, and the adjusted one where there is something to adjust for or clinicians to have strata by."""
    states = model_states(with_failures)
    crude = StateModel((), (), states)
    by = ("clinician",) if n_strata > 1 else ()
    return (crude, StateModel(used, by, (*states, *columns))) if used or by else (crude,)


def estimates_of(
    models: Sequence[StateModel],
    fit: Callable[[StateModel], Fitted],
    *,
    failures: Mapping[str, int],
    failed: Mapping[str, float],
    crowns: int,
    confidence: float,
) -> tuple[list[Estimate], list[str], Fitted | None]:
    """The contrasts of the models, notes on those that are not given, and the last fit.

    `failures` are those of each state, `failed` as many patients as they tell as much as (`few_failures.py`).
    """
    estimates: list[Estimate] = []
    enough = {state for state, n in failures.items() if n >= MIN_FAILURES_OF_RATIO}
    notes = [few_failures_note(LABELS[s].lower()) for s in STATES if s in failures and s not in enough]
    found: Fitted | None = None
    for model in models:
        try:
            found = fit(model)
        except CoxInputError as refused:
            notes.append(f"The {'adjusted' if model.used else 'crude'} model could not be fitted: {refused}")
            found = None
            continue
        estimates += _contrasts(found, model, enough, failed, crowns=crowns, confidence=confidence)
    return estimates, notes, found


def few_failures_note(group: str) -> str:
    """Why a group with few failures has no hazard ratio."""
    return f"Fewer than {MIN_FAILURES_OF_RATIO} failures with {group}: no hazard ratio, its range would be a guess."


def enough_for_ratio(failures: Mapping[str, int], pair: Sequence[str]) -> bool:
    """Whether both groups have enough failures for a hazard ratio."""
    return all(failures.get(name, 0) >= MIN_FAILURES_OF_RATIO for name in pair)


def failures_by_state(spells: pl.DataFrame) -> dict[str, int]:
    """The failures of each state."""
    return dict(spells.group_by("state").agg(pl.col("event").sum().cast(pl.Int64)).iter_rows())


def failed_patients_by_state(spells: pl.DataFrame) -> dict[str, float]:
    """How many patients with one failure each tell as much as the failures of each state."""
    by_patient = spells.group_by("state", "patient_id").agg(n=pl.col("event").sum().cast(pl.Int64))
    sums = by_patient.group_by("state").agg(pl.col("n").sum(), squares=(pl.col("n") ** 2).sum())
    return {state: failed_patients(n, squares) for state, n, squares in sums.iter_rows()}


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
    fit: CoxEstimate,
    model: StateModel,
    states: set[str],
    failed: Mapping[str, float],
    *,
    crowns: int,
    confidence: float,
) -> list[Estimate]:
    out = []
    for group, reference in CONTRASTS:
        if group not in states or reference not in states:
            continue
        log = careful_ratio(fit, group, reference, failed, confidence=confidence)
        if not np.isfinite(log.se):
            continue
        out.append(
            Estimate(
                contrast=f"{group} vs {reference}",
                model="cox_time_varying",
                adjusted_for=model.used,
                stratified_by=model.stratified_by,
                hazard_ratio=float(np.exp(log.estimate)),
                ci_low=float(np.exp(log.low)),
                ci_high=float(np.exp(log.high)),
                p=log.p,
                clustered_on="patient_id",
                rows=fit.n_rows,
                crowns=crowns,
                events=fit.n_events,
                clusters=fit.n_clusters or 0,
            )
        )
    return out


def crude_difference(spells: pl.DataFrame, groups: dict[str, Group], analysis: Analysis) -> Difference | None:
    """Failures per 100 by the horizon, opened minus done before, from the day the opened group is large enough."""
    sides = {s: spells.filter(pl.col("state") == s) for s in ("through_crown", "before_seat")}
    window = difference_window(sides, groups, analysis)
    if window is None:
        return None
    start, years = window
    horizon = days_of(years)
    rows = {
        s: Rows(f["exit_days"], f["event"], entry_days=f["entry_days"], cluster=f["patient_id"])
        for s, f in sides.items()
    }
    d = survival_difference(
        rows["through_crown"], rows["before_seat"], [horizon], from_day=start, confidence=analysis.confidence
    )
    return make_crude(d, start, years)


def difference_window(
    sides: Mapping[str, pl.DataFrame], groups: dict[str, Group], analysis: Analysis
) -> tuple[int, float] | None:
    """From which day to how many years the two states are compared; None where too few are followed.

    The horizon asked for, where both curves reach it; else what `short_window` finds.
    """
    if any(f.is_empty() for f in sides.values()):
        return None
    if reach_horizon(groups, analysis):
        start = curve_start(sides["through_crown"], rules=analysis.curve_rules())
        if start is not None and start < days_of(analysis.horizon_years):
            return start, analysis.horizon_years
    opened = sides["through_crown"]
    first = first_day_with(analysis.min_at_risk, exit_days=opened["exit_days"], entry_days=opened["entry_days"])

    def followed(days: list[int]) -> list[RiskTable]:
        return [risk_table(f["exit_days"], f["event"], days, entry_days=f["entry_days"]) for f in sides.values()]

    return short_window(first, followed, analysis)


def short_window(
    first: int | None, followed: Callable[[list[int]], list[RiskTable]], analysis: Analysis
) -> tuple[int, float] | None:
    """From which day to how many years two groups of few are compared, where their curves do not reach the horizon.

    `first` is the day from which `min_at_risk` opened crowns are under observation; `followed` gives the risk tables of
    both groups. The horizon is the longest of the one asked for and the `SHORTER_YEARS` at which as many of each group
    were still followed or had failed since that day, and half of which lies after it. Who has failed counts: were
    horizons left out because crowns had failed, the others would look better than they are.
    """
    shorter = tuple(years for years in SHORTER_YEARS if years < analysis.horizon_years)
    for years in (analysis.horizon_years, *shorter):
        horizon = days_of(years)
        if first is None or 2 * first > horizon:
            continue
        tables = followed([first + 1, horizon])
        stayed = [int(t.followed[1] + t.failed[1] - t.failed[0]) for t in tables]
        if min(stayed) >= analysis.min_at_risk and min(int(t.followed[1]) for t in tables) > 0:
            return first, years
    return None


def reach_horizon(groups: dict[str, Group], analysis: Analysis) -> bool:
    """Whether the curves of both states with a root canal reach the horizon."""
    horizon = days_of(analysis.horizon_years)
    return all(s in groups and (groups[s].stops_at_days or 0) >= horizon for s in ROOT_CANAL)


def make_crude(d: Differences, start: int, years: float) -> Difference | None:
    """The crude difference by so many years in the words of the results; None without an error."""
    if np.isnan(d.std_error[0]):
        return None
    return Difference(
        group="through_crown",
        reference="before_seat",
        years=years,
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
    spells = labelled_spells(rows)
    if not enough_for_ratio(failures_by_state(spells), ROOT_CANAL):
        return None
    try:
        fit = fit_states(spells, through_column(spells), names=("through_crown",), stratum=None)
    except CoxInputError:
        return None
    groups = [
        make_group(
            spells.filter(pl.col("state") == name), name=name, label="", counted=spells, rules=analysis.curve_rules()
        )
        for name in ROOT_CANAL
    ]
    return naive_of(fit, groups, failed_patients_by_state(spells), analysis)


def labelled_spells(rows: pl.DataFrame) -> pl.DataFrame:
    """The crowns with a root canal by their label from the seat on, as `state` and `event`: what misleads."""
    labelled = rows.filter(pl.col("endo_timing").is_in(list(ROOT_CANAL)))
    return labelled.with_columns(event="failure", state="endo_timing")


def through_column(spells: pl.DataFrame) -> NDArray[np.float64]:
    """The one column of the naive model: 1 where a crown was opened, whenever that was."""
    return (spells["state"] == "through_crown").cast(pl.Float64).to_numpy()[:, None]


def naive_of(fit: CoxEstimate, groups: Sequence[Group], failed: Mapping[str, float], analysis: Analysis) -> Naive:
    """The naive comparison that a fit and the groups by label make."""
    ratio = careful_ratio(fit, "through_crown", "before_seat", failed, confidence=analysis.confidence).exp()
    horizon = days_of(analysis.horizon_years)
    shares = []
    for group in groups:
        at = [m.survival for m in group.milestones if days_of(m.years) == horizon]
        if at and at[0] is not None:
            shares.append((group.name, at[0]))
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


def _years_of_records(rows: pl.DataFrame) -> float:
    return years_between(rows["entry_date"].min(), rows["exit_date"].max())


def years_between(first: Any, last: Any) -> float:
    """Years from the first day of follow-up to the last; 0 without any."""
    return float((last - first).days if first is not None and last is not None else 0) / DAYS_PER_YEAR


def _basis(
    groups: dict[str, Group], difference: Difference | None, stands: Stands, years: float, analysis: Analysis
) -> Basis:
    return Basis(
        group=groups.get("through_crown") or empty_group("through_crown"),
        reference=groups.get("before_seat") or empty_group("before_seat"),
        difference=difference,
        horizon_years=analysis.horizon_years,
        smallest_per_100=analysis.smallest_difference_per_100,
        min_failures=analysis.min_failures,
        years_of_records=years,
        scales=Scales(stands.ratio, adjusted=stands.difference is not None),
    )


def empty_group(name: str) -> Group:
    """A group that no crown belongs to."""
    return Group(name, LABELS[name], 0, 0, 0, 0.0, 0.0, 0.0, 0.0)


FLOW = ("crowns", "timed")


def count_flow(crowns: pl.DataFrame, rows: pl.DataFrame) -> tuple[int, int]:
    """Single crowns of the practice, and those whose order of root canal and seat is known.

    The names of these counts are `FLOW`.
    """
    return crowns.height, rows.filter(pl.col("endo_timing").is_not_null()).height


def flow_of(counts: tuple[int, int]) -> tuple[FlowStep, ...]:
    """What each rule kept, from `count_flow`; what is left is the sum of the groups.

    Crowns not seen again after the seat belong to their group and add no follow-up, so they are no step here; how many
    they are is told with the quality of the records (`crowns_not_followed`).
    """
    crowns, timed = counts
    return (
        FlowStep("Single crowns of the practice on permanent teeth", crowns, 0, "", "crowns"),
        FlowStep(
            "Order of root canal and seat known", timed, crowns - timed, "root canal elsewhere, day unknown", "crowns"
        ),
    )
