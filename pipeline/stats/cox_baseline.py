"""Baseline hazard of a Cox fit and the survival that it predicts, with delayed entry and strata.

The cumulative hazard is Efron's or Breslow's estimator; survival is exp(-hazard). The variance of a predicted hazard is
that of the baseline plus that of the coefficients, by the fit's robust covariance if it has one [1]. Curves are step
functions: nothing is interpolated between event days and nothing is given past the last day anybody is followed.

References
----------
[1] Therneau TM, Grambsch PM. Modeling Survival Data: Extending the Cox Model. Springer, 2000 (section 10.2).
[2] Tsiatis AA. A large sample study of Cox's regression model. Ann Stat 1981;9:93-108.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import CoxFit
from pipeline.stats.cox_input import distinct_codes
from pipeline.stats.cox_kernel import Floats, Ints, Ties
from pipeline.stats.limits import LimitKind, share_limits


@dataclass(frozen=True, eq=False)
class _Steps:
    """Per event day of one stratum, cumulated: hazard at mean covariates, its variance, hazard times mean covariate."""

    time: Floats
    events: Floats
    hazard: Floats
    variance: Floats
    mean: Floats


def baseline_hazard(fit: CoxFit, *, estimator: Ties | None = None, start_day: float | None = None) -> pl.DataFrame:
    """Cumulative hazard of a row whose covariates are the mean of the fitted rows.

    One row per stratum and event day: `stratum` (as given to the fit, 0 without strata), `time_days`, `at_risk` (rows),
    `n_events` (weighted), `cumulative_hazard`, `std_error` (of it). `estimator` is the fit's way with ties unless
    given. With `start_day` the hazard is counted from that day on, its own events included.
    """
    sets, at = _at_estimate(fit, estimator)
    tables = []
    for code, value in enumerate(fit.design.rows.strata_values):
        steps = _steps(sets, at, code, start_day)
        hazard, error = _predict(fit, steps, np.arange(len(steps.time)), np.zeros(len(fit.names)))
        tables.append(
            pl.DataFrame(
                {
                    "stratum": np.full(len(steps.time), value),
                    "time_days": steps.time,
                    "at_risk": rows_at_risk(fit, code, steps.time),
                    "n_events": steps.events,
                    "cumulative_hazard": hazard,
                    "std_error": error,
                }
            )
        )
    return pl.concat(tables)


def predict_survival(
    fit: CoxFit,
    x: ArrayLike,
    *,
    days: ArrayLike,
    strata: ArrayLike | None = None,
    estimator: Ties | None = None,
    start_day: float | None = None,
    limits: LimitKind = "log-log",
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Survival that the fit predicts for given covariates on given days.

    One row per row of `x` ("profile" 0, 1, 2...) and day: `profile`, `stratum`, `time_days`, `at_risk` (rows of the
    stratum in the fitted data, entry < day <= exit), `cumulative_hazard`, `survival`, `std_error` (of survival),
    `lower`, `upper`. Null survival where nobody of the stratum is followed that long; null limits where the scale has
    none. `strata` gives each profile's stratum in the words of the fit; it is needed if the fit has several. With
    `start_day` the curve is that of rows still followed then.

    Raises
    ------
    ValueError
        `x` does not have the fit's covariates; a stratum is missing or unknown; the fit did not converge.
    """
    profiles = np.atleast_2d(np.asarray(x, dtype=np.float64))
    if profiles.shape[1] != len(fit.names) or not np.isfinite(profiles).all():
        raise ValueError(f"x needs a finite value of each of {', '.join(fit.names)}.")
    if not fit.converged:
        raise ValueError("The fit did not converge: it predicts nothing.")
    day = np.asarray(days, dtype=np.float64)
    stratum_codes = _stratum_codes(fit, strata, len(profiles))
    sets, at = _at_estimate(fit, estimator)
    z = (profiles - fit.design.center) / fit.design.scale
    tables = []
    for profile, code in enumerate(stratum_codes):
        steps = _steps(sets, at, code, start_day)
        hazard, error = _predict(fit, steps, np.searchsorted(steps.time, day, side="right") - 1, z[profile])
        last = fit.design.rows.exit[fit.design.rows.strata == code].max()
        survival = np.where(day <= last, np.exp(-hazard), np.nan)
        lower, upper = share_limits(survival, survival * error, kind=limits, confidence=confidence)
        values: dict[str, Any] = {
            "profile": np.full(len(day), profile),
            "stratum": np.full(len(day), fit.design.rows.strata_values[code]),
            "time_days": day,
            "at_risk": rows_at_risk(fit, code, day),
            "cumulative_hazard": np.where(day <= last, hazard, np.nan),
            "survival": survival,
            "std_error": survival * error,
            "lower": lower,
            "upper": upper,
        }
        tables.append(pl.DataFrame(values))
    return pl.concat(tables).with_columns(pl.col(pl.Float64).exclude("time_days").fill_nan(None))


def rows_at_risk(fit: CoxFit, code: int, days: Floats) -> Ints:
    """Number of fitted rows of one stratum with entry < day <= exit, for each day."""
    rows = fit.design.rows
    mine = rows.strata == code
    return count_below(rows.entry[mine], days) - count_below(rows.exit[mine], days)


def count_below(values: Floats, days: NDArray[Any]) -> Ints:
    """How many values lie below each day; by counting where there are few days or the values are whole numbers."""
    if len(days) <= 3:
        return np.array([np.count_nonzero(values < day) for day in days], dtype=np.intp)
    if not len(values):
        return np.zeros(len(days), dtype=np.intp)
    highest = max(float(values.max()), -1.0)
    if not (np.array_equal(values, np.floor(values)) and highest <= 4 * len(values) + 100_000):
        return np.searchsorted(np.sort(values), days, side="left")
    # Whatever lies below day 0 counts alike.
    counts = np.bincount((np.maximum(values, -1.0) + 1).astype(np.intp))
    total = np.concatenate(([0], np.cumsum(counts)))
    return np.asarray(total[(np.clip(np.ceil(days), -1, highest + 1) + 1).astype(np.intp)])


def _at_estimate(fit: CoxFit, estimator: Ties | None) -> tuple[kernel.RiskSets, kernel.Moments]:
    design = fit.design
    if estimator in (None, design.ties):
        return design.sets, fit.at_estimate
    rows = design.rows
    sets = kernel.build_risk_sets(
        rows.exit, rows.event, entry=rows.entry, strata=rows.strata, weight=rows.weight, ties=estimator
    )
    return sets, kernel.moments(sets, design.z, fit.coef * design.scale)


def _steps(sets: kernel.RiskSets, at: kernel.Moments, code: int, start_day: float | None) -> _Steps:
    mine = sets.group_stratum == code
    if start_day is not None:
        mine &= sets.group_time >= start_day
    mean = at.at_risk[:, mine] * at.q[mine] - at.tied[:, mine] * at.qf[mine]
    return _Steps(
        time=sets.group_time[mine],
        events=sets.group_weight[mine],
        hazard=np.cumsum(at.h[mine]),
        variance=np.cumsum(at.q[mine]),
        mean=np.cumsum(mean, axis=1),
    )


def _predict(fit: CoxFit, steps: _Steps, index: NDArray[np.intp], z: Floats) -> tuple[Floats, Floats]:
    """Cumulative hazard and its standard error for covariates `z`; an index of -1 stands before the first event."""
    scale = fit.design.scale
    before = index < 0
    if not len(steps.time):
        return np.zeros(len(index)), np.zeros(len(index))
    risk = float(np.exp(z @ (fit.coef * scale)))
    hazard = np.where(before, 0.0, steps.hazard[index])
    away = np.where(before, 0.0, z[:, None] * steps.hazard[index] - steps.mean[:, index])
    from_coef = np.einsum("jt,jk,kt->t", away, fit.cov * np.outer(scale, scale), away)
    variance = np.where(before, 0.0, steps.variance[index]) + from_coef
    return hazard * risk, np.sqrt(variance) * risk


def _stratum_codes(fit: CoxFit, strata: ArrayLike | None, n: int) -> list[int]:
    known = fit.design.rows.strata_values
    if strata is None:
        if len(known) > 1:
            raise ValueError("The fit has strata: name the stratum of each row of x.")
        return [0] * n
    values, code = distinct_codes(np.broadcast_to(np.asarray(strata), (n,)), "strata")
    place = np.searchsorted(known, values)
    found = known[np.minimum(place, len(known) - 1)] == values
    if not found.all():
        raise ValueError(f"{int(np.count_nonzero(~found))} strata are not in the fit.")
    return [int(place[c]) for c in code]
