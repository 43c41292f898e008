"""The sums behind a standardised share: what it is under one weighting of the rows, and how much each cluster pulls."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
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

    `z` (covariate by crown) is on the scale of the fit; `set_to` gives for each state the columns of `z` that it
    replaces, each with one value or one per crown. `known` marks the days that are observed.
    """

    plan: HazardPlan
    target: Target
    z: Floats
    set_to: tuple[Mapping[int, Floats], ...]
    known: Bools

    def risks(self, beta: Floats) -> Iterator[Floats]:
        """The relative hazards of the target's crowns in each state."""
        rest = beta.copy()
        rest[list(self.set_to[0])] = 0.0
        unset = rest @ self.z
        for columns in self.set_to:
            yield np.exp(unset + sum(beta[column] * value for column, value in columns.items()))

    def weighted_sum(self, state: int, weight: Floats) -> Floats:
        """Sum over the target's crowns of weight times each covariate in a state."""
        sums = self.z @ weight
        for column, value in self.set_to[state].items():
            sums[column] = weight @ value if value.ndim else float(value) * weight.sum()
        return np.asarray(sums)

    def failure(self, beta: Floats, hazards: StratumHazards, weight: Floats) -> Floats:
        """State by day: mean share failed over the target's crowns, NaN past the last day observed."""
        share = weight / weight.sum()
        out = np.full((len(self.set_to), len(self.known)), np.nan)
        for state, risk in enumerate(self.risks(beta)):
            for day in np.flatnonzero(self.known):
                failed = -np.expm1(-hazards.total[self.target.stratum, day] * risk)
                out[state, day] = np.sum(share * failed)
        return out


def influence(fit: CoxFit, layout: Layout, hazards: StratumHazards, failure: Floats) -> Floats:
    """State by day by unit: the change of the share failed per unit change of the log weight of the unit's rows."""
    rows, target, scale = fit.design.rows, layout.target, fit.design.scale
    unit = np.arange(len(rows.exit)) if rows.cluster is None else rows.cluster
    n_units = int(unit.max()) + 1
    change = fit.influence(by_cluster=True)
    pulls = HazardPulls(layout.plan, fit, hazards)
    share = target.weight / target.weight.sum()
    out = np.zeros((*failure.shape, n_units))
    for state, risk in enumerate(layout.risks(fit.coef * scale)):
        for day in np.flatnonzero(layout.known):
            hazard = hazards.total[target.stratum, day]
            survival = np.exp(-hazard * risk)
            per_hazard = share * survival * risk
            pull = pulls.on_sum(kernel.sum_by(target.stratum, per_hazard, layout.plan.n_strata), int(day))
            through_beta = layout.weighted_sum(state, per_hazard * hazard) + pull.beta
            one = kernel.sum_by(unit, pull.rows, n_units) + change @ (scale * through_beta)
            if target.cluster is not None:
                one += kernel.sum_by(target.cluster, share * (1 - survival - failure[state, day]), n_units)
            out[state, day] = one
    return out
