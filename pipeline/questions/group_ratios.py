"""Hazard ratios between groups of rows, crude and adjusted, with errors clustered on the patient."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.questions.analysis import Analysis
from pipeline.questions.covariates import Covariate, design, independent, strata
from pipeline.results import Estimate
from pipeline.results.gap import Gap
from pipeline.stats.cox import Contrast, CoxEstimate, CoxFit, CoxInputError, fit_cox
from pipeline.stats.few_failures import MIN_FAILURES_OF_RATIO, careful_ratio, failed_patients
from pipeline.stats.spells import from_day_0


@dataclass(frozen=True)
class Ratios:
    """What the models found: `adjusted` is the adjusted fit, None where there is none or it did not converge."""

    estimates: tuple[Estimate, ...] = ()
    notes: tuple[str, ...] = ()
    missing: tuple[Gap, ...] = ()
    adjusted: CoxFit | None = None


def group_ratios(
    spells: pl.DataFrame,
    contrasts: Sequence[tuple[str, str]],
    covariates: Sequence[Covariate],
    analysis: Analysis,
    *,
    unit: str,
    model: str,
    held: tuple[str, ...] = (),
) -> Ratios:
    """Hazard ratio of the first group over the second, for each pair in `contrasts`.

    `spells` has `state` (the group), `entry_days, exit_days, event, patient_id, provider_id`, the covariates, and
    `unit`, the tooth that a row belongs to. All pairs share one reference in the model, the second group of the first
    pair. The adjusted model has a baseline hazard for each clinician with enough failures. A group without a failure is
    left out, and one with fewer than 5 has no ratio, which is said. `held` is what every ratio is adjusted for already,
    by the clock.
    """
    wanted = list(dict.fromkeys(name for pair in contrasts for name in pair))
    counted = failures_by_state(spells)
    failed, present = {s for s in wanted if counted.get(s)}, set(counted)
    notes = [f"No failure in group {s}: no hazard ratio." for s in wanted if s in present and s not in failed]
    enough = {s for s in failed if counted[s] >= MIN_FAILURES_OF_RATIO}
    notes += [few_failures_note(f"group {s}") for s in wanted if s in failed - enough]
    pairs = [pair for pair in contrasts if enough.issuperset(pair)]
    if not pairs:
        return Ratios(notes=tuple(notes))
    rows = spells.filter(pl.col("state").is_in(list(failed)))
    patients = failed_patients_by_state(rows)
    reference = pairs[0][1]
    states = [s for s in wanted if s in failed and s != reference]
    indicators = np.stack([(rows["state"] == s).cast(pl.Float64).to_numpy() for s in states]).T
    adjust = independent(design(rows, covariates), indicators)
    if not held:  # else the comparison of the same teeth on their own clock says it already
        notes += [f"Not adjusted for {name}." for name in adjust.left_out]
    codes, n_strata = strata(rows, "provider_id", min_failures=analysis.min_stratum_failures)
    by = ("clinician",) if n_strata > 1 else ()
    models: list[tuple[str, tuple[str, ...], tuple[str, ...], NDArray[np.float64], NDArray[np.int64] | None]]
    models = [("crude", held, (), indicators, None)]
    if adjust.used or by:
        x = np.vstack([indicators.T, adjust.x.T]).T
        models.append(("adjusted", (*held, *adjust.used), by, x, codes if by else None))
    teeth = rows[unit].n_unique()
    estimates: list[Estimate] = []
    fit: CoxFit | None = None
    for kind, used, stratified, x, stratum in models:
        names = (*states, *adjust.names)[: x.shape[1]]
        try:
            fit = fit_states(rows, x, names=names, stratum=stratum)
        except CoxInputError as refused:
            notes.append(f"The {kind} model could not be fitted: {refused}")
            fit = None
            continue
        for pair in pairs:
            log = careful_ratio(fit, *pair, patients, confidence=analysis.confidence)
            found = write_estimate(fit, pair, log, model=model, used=used, by=stratified, teeth=teeth)
            if found is None:
                notes.append(f"The {kind} hazard ratio of {pair[0]} over {pair[1]} grows without bound: not given.")
            else:
                estimates.append(found)
    adjusted = fit if len(models) == 2 and fit is not None and fit.converged else None
    return Ratios(tuple(estimates), tuple(notes), adjust.missing, adjusted)


def write_estimate(
    fit: CoxEstimate,
    pair: tuple[str, str],
    log: Contrast,
    *,
    model: str,
    used: tuple[str, ...],
    by: tuple[str, ...],
    teeth: int,
) -> Estimate | None:
    """The ratio of a pair in the words of the results; None for one that grows without bound."""
    if not np.isfinite(log.se):
        return None
    return Estimate(
        contrast=f"{pair[0]} vs {pair[1]}",
        model=model,
        adjusted_for=used,
        stratified_by=by,
        hazard_ratio=log.exp().estimate,
        ci_low=log.exp().low,
        ci_high=log.exp().high,
        p=log.p,
        clustered_on="patient_id",
        rows=fit.n_rows,
        crowns=teeth,
        events=fit.n_events,
        clusters=fit.n_clusters or 0,
    )


def adjusted_ratio(estimates: Sequence[Estimate], contrast: tuple[str, str]) -> Estimate | None:
    """The ratio of a contrast that adjusts for most; None where none is adjusted."""
    name = " vs ".join(contrast)
    adjusted = [e for e in estimates if e.contrast == name and (e.adjusted_for or e.stratified_by)]
    return adjusted[-1] if adjusted else None


def few_failures_note(group: str) -> str:
    """Why a group with few failures has no hazard ratio."""
    return f"Fewer than {MIN_FAILURES_OF_RATIO} failures with {group}: no hazard ratio, its range would be a guess."


def enough_for_ratio(failures: Mapping[str, int], pair: Sequence[str]) -> bool:
    """Whether both groups have enough failures for a hazard ratio."""
    return all(failures.get(name, 0) >= MIN_FAILURES_OF_RATIO for name in pair)


def failures_by_state(spells: pl.DataFrame) -> dict[str, int]:
    """The failures of each state."""
    failed = Counter(spells["state"].filter(spells["event"]).to_list())
    return {state: failed[state] for state in spells["state"].unique()}


def failed_patients_by_state(spells: pl.DataFrame) -> dict[str, float]:
    """How many patients with one failure each tell as much as the failures of each state."""
    # Few rows are failures: they are counted sooner one by one than a query is planned.
    failed = (spells[name].filter(spells["event"]).to_list() for name in ("state", "patient_id"))
    sums = dict.fromkeys(spells["state"].unique(), (0, 0))
    for (state, _), n in Counter(zip(*failed, strict=True)).items():
        sums[state] = (sums[state][0] + n, sums[state][1] + n**2)
    return {state: failed_patients(*of_state) for state, of_state in sums.items()}


def fit_states(
    spells: pl.DataFrame,
    x: NDArray[np.float64],
    *,
    names: tuple[str, ...],
    stratum: NDArray[np.int64] | None = None,
    event: str = "event",
    weight: str | None = None,
    by_patient: bool = True,
) -> CoxFit:
    """Cox model of spells in states, entries before the end of day 0 counted as there from the start.

    `event` and `weight` name columns; errors are clustered on the patient unless told otherwise.
    """
    return fit_cox(
        x,
        spells["exit_days"].to_numpy(),
        spells[event].to_numpy(),
        names=names,
        entry_days=from_day_0(spells["entry_days"]),
        strata=stratum,
        weights=None if weight is None else spells[weight].to_numpy(),
        cluster=patient_codes(spells) if by_patient else None,
    )


def patient_codes(frame: pl.DataFrame) -> NDArray[np.int64]:
    """Patients as whole numbers, for the clustered errors."""
    return np.unique(frame["patient_id"].to_numpy(), return_inverse=True)[1]
