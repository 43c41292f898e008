"""Does a hazard ratio change over follow-up? The score test of proportional hazards, per term and for all together.

Each covariate is joined by its product with a function of time, one minus Kaplan-Meier; the test is the score test that
all products have coefficient zero [Grambsch 1994]. It holds with late entry and strata, whose risk sets and tied events
are those of the fit, and is what R's cox.zph computes from version 3.0 of survival on [Therneau, survival package].
Fitted weights enter. R leaves clusters out of this test even where the fit has them, and takes rows as independent, so
that teeth of one patient make its p too small. With `clustered` the variance of the score is taken between the clusters
of the fit instead: the robust score test [Lin 1989], each cluster's part of the score less what the fitted coefficients
take up of it. R has no such form to hold it against; with every row its own cluster it tends to the plain test.
"""

import numpy as np
import polars as pl

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import CoxFit
from pipeline.stats.cox_input import CoxRows
from pipeline.stats.cox_kernel import Floats
from pipeline.stats.laws import chi2_upper

GLOBAL = "GLOBAL"


def proportional_hazards_test(fit: CoxFit, *, clustered: bool = False) -> pl.DataFrame:
    """Test each covariate, and all together, for a hazard ratio that changes with time.

    One row per covariate in the order of the fit, then "GLOBAL": `term`, `chi_square`, `df`, `p`. The function of time
    that the log hazard ratio may follow is one minus Kaplan-Meier, all strata together. `clustered` takes the variance
    between clusters, which needs more of them than there are covariates: with fewer the p of all together is NaN.

    Raises ValueError if the fit did not converge, or for `clustered` of a fit without clusters.
    """
    if not fit.converged:
        raise ValueError("The fit did not converge: there is nothing to test.")
    if clustered and fit.design.rows.cluster is None:
        raise ValueError("The fit has no clusters.")
    design, at = fit.design, fit.at_estimate
    time = _failed_before(design.rows, design.sets.group_time)
    time = time - time.mean()  # no constant matters; sums keep more digits
    p = len(fit.names)
    # The derivatives at the estimate and zero products: blocks for the covariates, their products, and both.
    plain, once, twice = (kernel.information(design.sets, design.z, at, factor) for factor in (None, time, time**2))
    matrix = np.block([[plain, once], [once, twice]])
    gradient = kernel.score(design.sets, design.z, at, time)
    parts = _cluster_parts(fit, time, np.asarray(np.linalg.solve(plain, once))) if clustered else None
    results = []
    for term, own in [*((name, [j]) for j, name in enumerate(fit.names)), (GLOBAL, list(range(p)))]:
        if parts is not None:
            chi_square = _between(parts[:, own], gradient[own])
        else:
            kept = [*range(p), *(p + j for j in own)]
            u = np.concatenate((np.zeros(p), gradient[own]))
            chi_square = float(u @ np.linalg.solve(matrix[np.ix_(kept, kept)], u))
        results.append((term, chi_square, len(own), float(chi2_upper(chi_square, len(own)))))
    return pl.DataFrame(results, schema=["term", "chi_square", "df", "p"], orient="row")


def _cluster_parts(fit: CoxFit, time: Floats, taken_up: Floats) -> Floats:
    """Cluster by product: its part of the score, less what the coefficients take up of it."""
    design = fit.design
    plain, timed = (
        kernel.scores_by(design.sets, design.z, fit.at_estimate, design.rows.cluster, factor) for factor in (None, time)
    )
    return np.asarray(timed - plain @ taken_up)


def _between(parts: Floats, gradient: Floats) -> float:
    variance = parts.T @ parts
    if np.linalg.matrix_rank(variance) < len(gradient):
        return float("nan")
    return float(gradient @ np.linalg.solve(variance, gradient))


def _failed_before(rows: CoxRows, days: Floats) -> Floats:
    """One minus Kaplan-Meier just before each day, all strata together, rows not weighted."""
    times, events = np.unique(rows.exit[rows.event], return_counts=True)
    entered = np.searchsorted(np.sort(rows.entry), times, side="left")
    at_risk = entered - np.searchsorted(np.sort(rows.exit), times, side="left")
    survival = np.concatenate(([1.0], np.cumprod(1 - events / at_risk)))
    return 1 - survival[np.searchsorted(times, days, side="left")]
