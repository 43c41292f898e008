"""Does a hazard ratio change over follow-up? The score test of proportional hazards, per term and for all together.

Each covariate is joined by its product with a function of time; the test is the score test that all products have
coefficient zero [1]. It holds with late entry and strata, whose risk sets and tied events are those of the fit, and is
what R's cox.zph computes from version 3.0 of survival on. Fitted weights enter; clusters do not: the test takes rows as
independent, so that teeth of one patient make its p too small.

References
----------
[1] Grambsch PM, Therneau TM. Proportional hazards tests and diagnostics based on weighted residuals. Biometrika
    1994;81:515-526.
[2] Therneau TM. The survival package, cox.zph (version 3.0 and later).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Literal

import numpy as np
import polars as pl
from scipy import stats

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import CoxFit
from pipeline.stats.cox_input import CoxRows
from pipeline.stats.cox_kernel import Floats

TimeScale = Literal["identity", "log", "km", "rank"]
GLOBAL = "GLOBAL"


def proportional_hazards_test(
    fit: CoxFit, *, scale: TimeScale = "km", terms: Mapping[str, Sequence[str]] | None = None
) -> pl.DataFrame:
    """Test each term, and all together, for a hazard ratio that changes with time.

    One row per term in the order given, then "GLOBAL": `term`, `chi_square`, `df`, `p`. A term is one covariate, or
    the covariates listed for it in `terms` (a factor's columns). `scale` is the function of time that the log hazard
    ratio may follow: the day itself, its logarithm, one minus Kaplan-Meier (all strata together), or the rank of the
    day among all rows' exits.

    Raises
    ------
    ValueError
        The fit did not converge; `log` with an event on day 0; a term with a covariate that the fit does not have.
    """
    if not fit.converged:
        raise ValueError("The fit did not converge: there is nothing to test.")
    columns = _columns(fit, terms)
    design, at = fit.design, fit.at_estimate
    time = _time_function(design.rows, design.sets.group_time, scale)
    time = time - np.average(time, weights=design.sets.group_events)
    p = len(fit.names)
    # The derivatives at the estimate and zero products: blocks for the covariates, their products, and both.
    plain, once, twice = (kernel.information(design.sets, design.z, at, factor) for factor in (None, time, time**2))
    matrix = np.block([[plain, once], [once, twice]])
    gradient = kernel.score(design.sets, design.z, at, time)
    results = []
    for term, own in [*columns.items(), (GLOBAL, list(range(p)))]:
        kept = [*range(p), *(p + j for j in own)]
        u = np.concatenate((np.zeros(p), gradient[own]))
        chi_square = float(u @ np.linalg.solve(matrix[np.ix_(kept, kept)], u))
        results.append((term, chi_square, len(own), float(stats.chi2.sf(chi_square, len(own)))))
    return pl.DataFrame(results, schema=["term", "chi_square", "df", "p"], orient="row")


def _columns(fit: CoxFit, terms: Mapping[str, Sequence[str]] | None) -> dict[str, list[int]]:
    if terms is None:
        return {name: [j] for j, name in enumerate(fit.names)}
    unknown = {name for names in terms.values() for name in names} - set(fit.names)
    if unknown:
        raise ValueError(f"Not in the fit: {', '.join(sorted(unknown))}.")
    return {term: [fit.names.index(name) for name in names] for term, names in terms.items()}


def _time_function(rows: CoxRows, days: Floats, scale: TimeScale) -> Floats:
    """The function of time at each of the given event days."""
    functions: dict[str, Callable[[], Floats]] = {
        "identity": lambda: days,
        "log": lambda: _logs(days),
        "km": lambda: _failed_before(rows, days),
        "rank": lambda: _mean_rank(rows.exit, days),
    }
    if scale not in functions:
        raise ValueError(f"scale must be one of {', '.join(functions)}.")
    return functions[scale]()


def _logs(days: Floats) -> Floats:
    if days.min() <= 0:
        raise ValueError("An event on day 0 has no logarithm: use another scale.")
    return np.log(days)


def _failed_before(rows: CoxRows, days: Floats) -> Floats:
    """One minus Kaplan-Meier just before each day, all strata together, rows not weighted."""
    times, events = np.unique(rows.exit[rows.event], return_counts=True)
    entered = np.searchsorted(np.sort(rows.entry), times, side="left")
    at_risk = entered - np.searchsorted(np.sort(rows.exit), times, side="left")
    survival = np.concatenate(([1.0], np.cumprod(1 - events / at_risk)))
    return 1 - survival[np.searchsorted(times, days, side="left")]


def _mean_rank(exits: Floats, days: Floats) -> Floats:
    """Mean rank of each day among all rows' exits (ties share the mean of theirs)."""
    ordered = np.sort(exits)
    below = np.searchsorted(ordered, days, side="left")
    return (below + np.searchsorted(ordered, days, side="right") + 1) / 2
