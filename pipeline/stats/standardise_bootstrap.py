"""Standardised shares and differences with limits from drawing the patients again.

Every replicate weights rows and target alike by how often their patient was drawn, fits the Cox model again from the
estimate, and standardises again. Days, knots and which strata borrow stay as they were in the full sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.stats.bootstrap import (
    FAILED,
    BootstrapLimits,
    Counts,
    Progress,
    Replicates,
    bca_limits,
    bootstrap_clusters,
    percentile_limits,
)
from pipeline.stats.cox import CoxFit, Design
from pipeline.stats.cox_kernel import Floats, Ints
from pipeline.stats.cox_reweight import refit, reweight
from pipeline.stats.standard_layout import Layout
from pipeline.stats.standardised import Standardised
from pipeline.stats.stratum_hazard import stratum_hazards


@dataclass(frozen=True, eq=False)
class Resampled:
    """The statistic of the bootstrap: the standardised shares under a weighting of the clusters, state by day.

    A replicate in which a coefficient grows without bound (`separated`: a level or a state without failures was drawn)
    counts, since the shares have a limit there; one without an estimate, or without a crown, has `failed`.
    """

    design: Design
    layout: Layout
    unit: Ints
    start: Floats

    def __call__(self, counts: Counts | Floats) -> tuple[Floats, str]:
        """The shares and how the fit went, for one number per cluster."""
        layout, weight = self.layout, self.design.rows.weight * counts[self.unit]
        target = layout.target
        crowns = target.weight if target.cluster is None else target.weight * counts[target.cluster]
        fit = refit(self.design, weight, self.start)
        if fit.status == FAILED or not crowns.any():
            return np.full((len(layout.set_to), len(layout.known)), np.nan), FAILED
        lending = layout.plan.lending
        pooled = None if lending is None else reweight(lending.sets, weight, ties=self.design.ties)
        hazards = stratum_hazards(layout.plan, fit.sets, fit.at, pooled)
        return layout.failure(fit.beta, hazards, crowns), fit.status


@dataclass(frozen=True, eq=False)
class Bootstrapped:
    """A standardised estimate with its replicates."""

    estimate: Standardised
    replicates: Replicates

    def difference(
        self,
        group: str,
        reference: str,
        *,
        day: int,
        kind: Literal["bca", "percentile"] = "bca",
        confidence: float = 0.95,
    ) -> BootstrapLimits:
        """Limits of the difference in failures per 100, `group` minus `reference`, at one of the days."""
        one, other, column = self.estimate.place(group, reference, day=day)
        shape = (-1, *self.estimate.failure.shape)
        shares = self.replicates.values.reshape(shape)
        values = 100 * (shares[:, one, column] - shares[:, other, column])
        if kind == "percentile":
            return percentile_limits(values, confidence=confidence)
        estimate, pull = self.estimate.contrast(group, reference, day=day)
        return bca_limits(values, estimate=100 * estimate, influence=pull, confidence=confidence)


def bootstrap_standardised(
    fit: CoxFit,
    estimate: Standardised,
    *,
    replicates: int = 1000,
    seed: int,
    workers: int = 1,
    progress: Progress | None = None,
) -> Bootstrapped:
    """Draw the clusters of the fit (its rows, if it has none) again and standardise each time.

    `estimate` is `standardise(fit, ...)`. A fixed target stays as it is. See `bootstrap_clusters` for the rest.
    """
    statistic = resampled(fit, estimate)
    n_units = int(statistic.unit.max()) + 1
    drawn = bootstrap_clusters(statistic, n_units, replicates=replicates, seed=seed, workers=workers, progress=progress)
    return Bootstrapped(estimate, drawn)


def resampled(fit: CoxFit, estimate: Standardised) -> Resampled:
    """The standardised shares as a function of the clusters' weights."""
    rows = fit.design.rows
    unit = np.arange(len(rows.exit)) if rows.cluster is None else rows.cluster
    return Resampled(fit.design, estimate.layout, unit, fit.coef * fit.design.scale)
