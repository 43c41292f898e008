"""Hazard ratios between groups of rows, crude and adjusted, with errors clustered on the patient."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.questions.covariates import Covariate, design, independent, strata
from pipeline.questions.crown_longevity import Analysis, fit_states
from pipeline.results import Estimate
from pipeline.stats.cox import CoxFit, CoxInputError


@dataclass(frozen=True)
class Ratios:
    """What the models found: `adjusted` is the adjusted fit, None where there is none or it did not converge."""

    estimates: tuple[Estimate, ...]
    notes: tuple[str, ...]
    missing: tuple[str, ...]
    adjusted: CoxFit | None


def group_ratios(
    spells: pl.DataFrame,
    contrasts: Sequence[tuple[str, str]],
    covariates: Sequence[Covariate],
    analysis: Analysis,
    *,
    unit: str,
    model: str,
) -> Ratios:
    """Hazard ratio of the first group over the second, for each pair in `contrasts`.

    `spells` has `state` (the group), `entry_days, exit_days, event, patient_id, provider_id`, the covariates, and
    `unit`, the tooth that a row belongs to. All pairs share one reference in the model, the second group of the first
    pair. The adjusted model has a baseline hazard for each clinician with enough failures. A group without a failure
    has no ratio and is left out, which is said.
    """
    wanted = list(dict.fromkeys(name for pair in contrasts for name in pair))
    counted = dict(spells.group_by("state").agg(pl.col("event").sum()).iter_rows())
    failed, present = {s for s in wanted if counted.get(s)}, set(counted)
    notes = [f"No failure in group {s}: no hazard ratio." for s in wanted if s in present and s not in failed]
    pairs = [pair for pair in contrasts if failed.issuperset(pair)]
    if not pairs:
        return Ratios((), tuple(notes), (), None)
    rows = spells.filter(pl.col("state").is_in(list(failed)))
    reference = pairs[0][1]
    states = [s for s in wanted if s in failed and s != reference]
    indicators = np.stack([(rows["state"] == s).cast(pl.Float64).to_numpy() for s in states]).T
    adjust = independent(design(rows, covariates), indicators)
    notes += [f"Not adjusted for {name}." for name in adjust.left_out]
    codes, n_strata = strata(rows, "provider_id", min_failures=analysis.min_stratum_failures)
    by = ("clinician",) if n_strata > 1 else ()
    models: list[tuple[str, tuple[str, ...], tuple[str, ...], NDArray[np.float64], NDArray[np.int64] | None]]
    models = [("crude", (), (), indicators, None)]
    if adjust.used or by:
        x = np.vstack([indicators.T, adjust.x.T]).T
        models.append(("adjusted", adjust.used, by, x, codes if by else None))
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
            found = _estimate(fit, pair, analysis.confidence, model=model, used=used, by=stratified, teeth=teeth)
            if found is None:
                notes.append(f"The {kind} hazard ratio of {pair[0]} over {pair[1]} grows without bound: not given.")
            else:
                estimates.append(found)
    adjusted = fit if len(models) == 2 and fit is not None and fit.converged else None
    return Ratios(tuple(estimates), tuple(notes), adjust.missing, adjusted)


def _estimate(
    fit: CoxFit,
    pair: tuple[str, str],
    confidence: float,
    *,
    model: str,
    used: tuple[str, ...],
    by: tuple[str, ...],
    teeth: int,
) -> Estimate | None:
    vector = {name: sign for name, sign in zip(pair, (1.0, -1.0), strict=True) if name in fit.names}
    log = fit.contrast(vector, confidence=confidence)
    if not np.isfinite(log.se):
        return None
    return Estimate(
        contrast=f"{pair[0]} vs {pair[1]}",
        model=model,
        adjusted_for=used,
        stratified_by=by,
        hazard_ratio=float(np.exp(log.estimate)),
        ci_low=float(np.exp(log.low)),
        ci_high=float(np.exp(log.high)),
        p=log.p,
        clustered_on="patient_id",
        rows=fit.n_rows,
        crowns=teeth,
        events=fit.n_events,
        clusters=fit.n_clusters or 0,
    )
