"""The sums behind a standardised share: what it is under one weighting of the rows, and how much each cluster pulls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import CoxFit
from pipeline.stats.cox_kernel import Bools, Floats
from pipeline.stats.standard_target import Target
from pipeline.stats.stratum_hazard import HazardPlan, HazardPulls, StratumHazards


@dataclass(frozen=True, eq=False)
class Layout:
    """All that a new weighting of the rows leaves as it is.

    `z` (state, covariate, crown) is on the scale of the fit; `known` marks the days that are observed.
    """

    plan: HazardPlan
    target: Target
    z: Floats
    known: Bools

    def failure(self, beta: Floats, hazards: StratumHazards, weight: Floats) -> Floats:
        """State by day: mean share failed over the target's crowns, NaN past the last day observed."""
        share = weight / weight.sum()
        out = np.full((len(self.z), len(self.known)), np.nan)
        for state, z in enumerate(self.z):
            risk = np.exp(beta @ z)
            for day in np.flatnonzero(self.known):
                failed = -np.expm1(-hazards.total[self.target.stratum, day] * risk)
                out[state, day] = np.sum(share * failed)
        return out


def influence(fit: CoxFit, layout: Layout, hazards: StratumHazards, failure: Floats) -> Floats:
    """State by day by unit: the change of the share failed per unit change of the log weight of the unit's rows."""
    rows, target = fit.design.rows, layout.target
    unit = np.arange(len(rows.exit)) if rows.cluster is None else rows.cluster
    n_units = int(unit.max()) + 1
    beta, change = fit.coef * fit.design.scale, fit.influence(by_cluster=True) * fit.design.scale
    pulls = HazardPulls(layout.plan, fit, hazards)
    share = target.weight / target.weight.sum()
    out = np.zeros((*failure.shape, n_units))
    for state, z in enumerate(layout.z):
        risk = np.exp(beta @ z)
        for day in np.flatnonzero(layout.known):
            hazard = hazards.total[target.stratum, day]
            survival = np.exp(-hazard * risk)
            per_hazard = share * survival * risk
            pull = pulls.on_sum(kernel.sum_by(target.stratum, per_hazard, layout.plan.n_strata), int(day))
            one = kernel.sum_by(unit, pull.rows, n_units) + change @ (z @ (per_hazard * hazard) + pull.beta)
            if target.cluster is not None:
                one += kernel.sum_by(target.cluster, share * (1 - survival - failure[state, day]), n_units)
            out[state, day] = one
    return out
