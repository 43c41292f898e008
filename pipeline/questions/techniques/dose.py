"""Dose and response: adjusted hazard ratio along a dose, from a natural spline in the Cox model."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.questions.analysis import Analysis
from pipeline.questions.covariates import Covariate, design, independent, strata
from pipeline.questions.group_ratios import fit_states
from pipeline.questions.techniques.rows import in_order
from pipeline.results.technique import DosePoint
from pipeline.stats.cox import CoxFit, CoxInputError
from pipeline.stats.laws import f_upper
from pipeline.stats.splines import KNOT_QUANTILES, harrell_knots, natural_spline, shape_tests

POINTS = 11
MIN_FAILURES_A_COLUMN = 10
FEW_DOSES = 5
WIDEST = 25.0  # a range from a fifth to five times says nothing; a curve that has one is not drawn


@dataclass(frozen=True)
class DoseCurve:
    """Points of a curve; without one, `why` says the reason and the rest is empty.

    `p` is that of no change along the dose, `bend_p` that of a straight line (on the scale of the logarithm). `note`
    says what must be known of a curve that is drawn.
    """

    points: tuple[DosePoint, ...] = ()
    reference: float | None = None
    p: float | None = None
    bend_p: float | None = None
    why: str = ""
    note: str = ""


def dose_curve(
    rows: pl.DataFrame, dose: str, covariates: tuple[Covariate, ...], analysis: Analysis, *, reference: float
) -> DoseCurve:
    """The curve between the 5th and 95th of 100 doses.

    All rows with a dose count, whatever their band; it is 1 at `reference`, limits by patient, of each point by itself.
    Each column needs `MIN_FAILURES_A_COLUMN` failures, and no upper limit may be more than `WIDEST` times the lower
    one: where a dose and a covariate run together the curve cannot be told. Tests are by F with the failures less one
    as second degrees of freedom: with few failures chi-square would claim too often.
    """
    known = in_order(rows.filter(pl.col(dose).is_not_null()))
    values = known[dose].cast(pl.Float64).to_numpy()
    knots = spline_knots(values)
    if knots is None:
        return DoseCurve(why="Fewer than three different doses: no curve.")
    curve = natural_spline(values, knots=knots)
    if known["event"].sum() < MIN_FAILURES_A_COLUMN * curve.shape[1]:
        return DoseCurve(why="Too few failures for a curve over the dose.")
    adjust = independent(design(known, covariates), curve)
    codes, n_strata = strata(known, "provider_id", min_failures=analysis.min_stratum_failures)
    names = tuple(f"dose_{i}" for i in range(curve.shape[1]))
    try:
        fit = fit_states(
            known,
            np.vstack([curve.T, adjust.x.T]).T,
            names=(*names, *adjust.names),
            stratum=codes if n_strata > 1 else None,
        )
    except CoxInputError as refused:
        return DoseCurve(why=f"The curve over the dose could not be fitted: {refused}")
    if not fit.converged:
        return DoseCurve(why="The curve over the dose could not be fitted.")
    points = _points(fit, names, values, knots, reference=reference, confidence=analysis.confidence)
    if len(points) < POINTS or any(p.ci_high > WIDEST * p.ci_low for p in points):
        return DoseCurve(why="The curve over the dose is too uncertain to be drawn.")
    tests = shape_tests(fit, names, knots=knots)
    rest = fit.n_events - 1
    p, bend = (
        None if t is None else float(f_upper(t.chi_square / t.df, t.df, rest)) for t in (tests.any_effect, tests.bend)
    )
    different = len(np.unique(values))
    note = f"Only {different} different doses were used; between them the curve is drawn, not seen."
    return DoseCurve(points, reference, p, bend, note=note if different <= FEW_DOSES else "")


def _points(
    fit: CoxFit,
    names: tuple[str, ...],
    values: NDArray[np.float64],
    knots: NDArray[np.float64],
    *,
    reference: float,
    confidence: float,
) -> tuple[DosePoint, ...]:
    low, high = np.quantile(values, (0.05, 0.95))
    base = natural_spline(np.array([reference]), knots=knots)[0]
    points = []
    for at in np.linspace(low, high, POINTS):
        along = natural_spline(np.array([at]), knots=knots)[0] - base
        log = fit.contrast(dict(zip(names, along.tolist(), strict=True)), confidence=confidence)
        if np.isfinite(log.se):
            points.append(DosePoint(float(at), *(float(np.exp(v)) for v in (log.estimate, log.low, log.high))))
    return tuple(points)


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
