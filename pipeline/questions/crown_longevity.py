"""How long crowns last when the root canal is done before the seat, against through the crown.

A crown must last to be opened. So an opening enters the comparison on its own day, as a state that the crown passes
into, and is never counted from the seat; the comparison by label from the seat is shown beside it as the picture that
misleads [Suissa 2008].
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.questions.analysis import Analysis
from pipeline.questions.answer import comparison_of, curves_apart, ends_of, full_window, groups_of, naive_comparison
from pipeline.questions.covariates import design, strata
from pipeline.questions.crown_rows import STATES, crown_rows, state_spells
from pipeline.questions.group_ratios import (
    Ratios,
    adjusted_ratio,
    failed_patients_by_state,
    failures_by_state,
    few_failures_note,
    fit_states,
    write_estimate,
)
from pipeline.questions.groups import days_of
from pipeline.questions.question import OF_CROWNS, SINCE_SEAT
from pipeline.questions.steady_ratio import Standing, Stretch, difference_by, stand_on
from pipeline.questions.within_patient import compare_within_patients
from pipeline.results import DAYS_PER_YEAR, Comparison, Difference, Estimate, FlowStep, Group
from pipeline.stats.cox import CoxEstimate, CoxFit, CoxInputError
from pipeline.stats.few_failures import MIN_FAILURES_OF_RATIO, careful_ratio
from pipeline.stats.firth import fit_firth
from pipeline.stats.kaplan_meier import first_day_with
from pipeline.stats.risk_table import RiskTable, risk_table
from pipeline.stats.spells import from_day_0

Fitted = TypeVar("Fitted", bound=CoxEstimate)

LABELS = SINCE_SEAT.labels
# The states that are compared: the reference first.
ROOT_CANAL = ("before_seat", "through_crown")
# Each of them as columns of the model, for the standardised difference.
SET_TO = {state: {other: float(other == state) for other in ROOT_CANAL} for state in ROOT_CANAL}
PENALISED = (
    "One group has no failure: its ratio is a penalised estimate (Firth) that is not adjusted and takes every crown as "
    "its own. Only its limits tell something: how large or small the ratio may still be."
)
# Horizons for groups that are not followed to the one asked for.
SHORTER_YEARS = (3.0, 1.0)
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
    spells, labelled = state_spells(rows), labelled_rows(rows)
    groups = groups_of(SINCE_SEAT, spells, labelled, analysis)
    ratios = estimate_states(spells, analysis)
    crude = crude_difference(spells, ends_of(groups), analysis)
    ratio = adjusted_ratio(ratios.estimates, SINCE_SEAT.pair)
    within = None
    fit, stretch = ratios.adjusted, stretch_of(ratios.adjusted, crude)
    if not checks:
        stands = replace(difference_by(SINCE_SEAT, fit, None, ratio, stretch, analysis=analysis, grid=1), checked=False)
    else:
        began = np.empty(0, dtype=np.int64) if fit is None else opened_on(fit, spells)
        stands = stand_on(SINCE_SEAT, fit, ratio, stretch, began=began, analysis=analysis)
        if stretch is None and stands.steady is not None and fit is not None and fit.converged:
            # With no difference to stand on, the fitted ratio is what there is over all the years.
            overall = None if stands.steady.steady else stands.ratio
            stands = replace(stands, steady=replace(stands.steady, overall=overall))
        within = compare_within_patients(spells, SINCE_SEAT.pair, STATES, ratio, confidence=analysis.confidence)
    return made_of(
        groups,
        ratios=ratios,
        naive=naive_comparison(SINCE_SEAT, labelled, analysis),
        crude=crude,
        stands=stands,
        flow=flow_of(count_flow(crowns, rows)),
        years=years_between(rows["entry_date"].min(), rows["exit_date"].max()),
        analysis=analysis,
        within=within,
    )


def made_of(
    groups: dict[str, Group],
    *,
    ratios: Ratios,
    crude: Difference | None,
    stands: Standing,
    analysis: Analysis,
    **parts: Any,
) -> Comparison:
    """The main comparison that its figures make; `parts` as in `comparison_of`."""
    told = [groups[s].failures for s in ROOT_CANAL if s in groups]
    if min(told, default=0) < analysis.min_failures:
        stands, crude = replace(stands, difference=None, mean_years=None), None  # too early for a range
    empty = (f"No crown with {LABELS[name].lower()}." for name in STATES if name not in groups)
    notes = (*([] if stands.checked else [NOT_CHECKED]), *ratios.notes, *empty)
    return comparison_of(
        SINCE_SEAT, groups, ratios=replace(ratios, notes=notes), crude=crude, stands=stands, analysis=analysis, **parts
    )


def opened_on(fit: CoxFit, spells: pl.DataFrame) -> NDArray[np.int64]:
    """The day of the opening of each row of the fit, 0 for a crown that was not opened."""
    usable = usable_spells(spells, set(spells.filter("event")["state"].unique()))
    if usable.height != fit.n_rows:
        raise ValueError("The fit is not of these spells.")
    return usable["access_days"].fill_null(0).cast(pl.Int64).to_numpy()


def stretch_of(fit: CoxFit | None, crude: Difference | None) -> Stretch | None:
    """Of whom the adjusted difference is: the crowns with a root canal, opened instead of treated before.

    Each by its last row in the model, from the day on which the crude difference starts to its horizon. None where
    there is no crude difference, so that the model never speaks of years that no opened crown was followed for, or
    where the model has no answer.
    """
    if fit is None or crude is None or not can_standardise(fit):
        return None
    in_state = fit.design.rows.x[:, [fit.names.index(s) for s in ROOT_CANAL]]
    return Stretch(in_state.sum(axis=1) > 0, SET_TO, (crude.from_days, days_of(crude.years)), crude.years)


def can_standardise(fit: CoxEstimate) -> bool:
    """Whether a model has both states with a root canal, and an answer."""
    return set(ROOT_CANAL) <= set(fit.names) and fit.converged


def estimate_states(spells: pl.DataFrame, analysis: Analysis) -> Ratios:
    """Hazard ratios between the states, crude and adjusted, with errors clustered on the patient.

    Opening is a time-dependent state; the clock is days since the seat, with delayed entry. The adjusted model has a
    baseline hazard for each clinician with enough failures.
    """
    with_failures = set(spells.filter("event")["state"].unique())
    notes = notes_on_states(with_failures, set(spells["state"].unique()))
    penalised = penalised_ratio(spells, analysis)
    if penalised:
        notes.append(PENALISED)
    if len(with_failures) < 2:
        return Ratios(tuple(penalised), tuple(notes))
    usable = usable_spells(spells, with_failures)
    adjust = design(usable, OF_CROWNS)
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
    return Ratios((*penalised, *estimates), (*notes, *told), adjust.missing, adjusted if adjust.used else None)


def penalised_ratio(spells: pl.DataFrame, analysis: Analysis) -> list[Estimate]:
    """Firth's ratio of opened over treated before, where one of them has no failure and the other enough; else none.

    A Cox model has no finite ratio then. The penalised one is pulled towards none; what it tells is its far limit, how
    large (or small) the ratio may still be. Not adjusted: without a failure in a group nothing can be adjusted for.
    """
    failures = failures_by_state(spells.filter(pl.col("state").is_in(ROOT_CANAL)))
    if set(failures) != set(ROOT_CANAL) or min(failures.values()) or max(failures.values()) < MIN_FAILURES_OF_RATIO:
        return []
    rows = usable_spells(spells, set(ROOT_CANAL))
    try:
        fit = fit_firth(
            through_column(rows),
            rows["exit_days"].to_numpy(),
            rows["event"].to_numpy(),
            names=("through_crown",),
            entry_days=from_day_0(rows["entry_days"]),
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
        for pair in SINCE_SEAT.contrasts:
            if enough.issuperset(pair):
                log = careful_ratio(found, *pair, failed, confidence=confidence)
                told = write_estimate(
                    found, pair, log, model=SINCE_SEAT.model, used=model.used, by=model.stratified_by, teeth=crowns
                )
                estimates += [] if told is None else [told]
    return estimates, notes, found


def crude_difference(spells: pl.DataFrame, ends: Mapping[str, int], analysis: Analysis) -> Difference | None:
    """Failures per 100 by the horizon, opened minus done before, from the day the opened group is large enough."""
    sides = {s: spells.filter(pl.col("state") == s) for s in ("through_crown", "before_seat")}
    window = difference_window(sides, ends, analysis)
    return None if window is None else curves_apart(SINCE_SEAT.pair, sides, window, analysis, method=SINCE_SEAT.crude)


def difference_window(
    sides: Mapping[str, pl.DataFrame], ends: Mapping[str, int], analysis: Analysis
) -> tuple[int, float] | None:
    """From which day to how many years the two states are compared; None where too few are followed.

    The horizon asked for, where both curves reach it; else what `short_window` finds.
    """
    if any(f.is_empty() for f in sides.values()):
        return None
    if (start := full_window(SINCE_SEAT, sides, ends, analysis)) is not None:
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


def labelled_rows(rows: pl.DataFrame) -> pl.DataFrame:
    """The crowns by their label from the seat on, as `state` and `event`: it counts them, and compared it misleads."""
    return rows.with_columns(event="failure", state="endo_timing")


def through_column(spells: pl.DataFrame) -> NDArray[np.float64]:
    """The one column of the naive model: 1 where a crown was opened, whenever that was."""
    return (spells["state"] == "through_crown").cast(pl.Float64).to_numpy()[:, None]


def years_between(first: Any, last: Any) -> float:
    """Years from the first day of follow-up to the last; 0 without any."""
    return float((last - first).days if first is not None and last is not None else 0) / DAYS_PER_YEAR


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
