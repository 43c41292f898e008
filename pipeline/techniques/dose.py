"""Dose and response: adjusted hazard ratio along a dose, from a natural spline in the Cox model."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.questions.covariates import Covariate, design, strata
from pipeline.questions.crown_longevity import Analysis, fit_states
from pipeline.results_technique import DosePoint
from pipeline.stats.cox import CoxInputError
from pipeline.stats.splines import KNOT_QUANTILES, harrell_knots, natural_spline

POINTS = 11
MIN_FAILURES_A_COLUMN = 10


def dose_curve(
    rows: pl.DataFrame, dose: str, covariates: tuple[Covariate, ...], analysis: Analysis, *, reference: float
) -> tuple[tuple[DosePoint, ...], str]:
    """Points of the curve between the 5th and 95th of 100 doses, and why there is none ("" where there is one).

    All rows with a dose count, whatever their band. The curve is 1 at `reference`; its limits, errors clustered on the
    patient, are those of each point by itself. Each column of the curve needs `MIN_FAILURES_A_COLUMN` failures.
    """
    known = rows.filter(pl.col(dose).is_not_null()).sort("row_id", "entry_days")
    values = known[dose].cast(pl.Float64).to_numpy()
    knots = spline_knots(values)
    if knots is None:
        return (), "Fewer than three different doses: no curve."
    curve = natural_spline(values, knots=knots)
    if known["event"].sum() < MIN_FAILURES_A_COLUMN * curve.shape[1]:
        return (), "Too few failures for a curve over the dose."
    adjust = design(known, covariates)
    codes, n_strata = strata(known, "provider_id", min_failures=analysis.min_stratum_failures)
    names = tuple(f"dose_{i}" for i in range(curve.shape[1]))
    try:
        fit = fit_states(
            known,
            np.column_stack([curve, adjust.x]),
            names=(*names, *adjust.names),
            stratum=codes if n_strata > 1 else None,
        )
    except CoxInputError as refused:
        return (), f"The curve over the dose could not be fitted: {refused}"
    if not fit.converged:
        return (), "The curve over the dose could not be fitted."
    low, high = np.quantile(values, (0.05, 0.95))
    base = natural_spline(np.array([reference]), knots=knots)[0]
    points = []
    for at in np.linspace(low, high, POINTS):
        along = natural_spline(np.array([at]), knots=knots)[0] - base
        log = fit.contrast(dict(zip(names, along.tolist(), strict=True)), confidence=analysis.confidence)
        if np.isfinite(log.se):
            points.append(DosePoint(float(at), *(float(np.exp(v)) for v in (log.estimate, log.low, log.high))))
    return tuple(points), ""


def spline_knots(values: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Four knots at fixed quantiles, else three; of doses often alike, the same quantiles of the different doses.

    None with fewer than three different doses.
    """
    for count in (4, 3):
        try:
            return np.asarray(harrell_knots(values, n_knots=count))
        except ValueError:
            continue
    distinct = np.unique(values)
    if len(distinct) < 3:
        return None
    return distinct if len(distinct) == 3 else np.asarray(np.quantile(distinct, KNOT_QUANTILES[3]))
