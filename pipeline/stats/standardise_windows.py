"""Adjusted failure curves where each crown is looked at from a day of its own, in a state that may change on the way.

As `standardise.py`: the crowns of a target keep their covariates and stratum, each state is set in turn, and the mean
of the predicted shares is the standardised curve. Two things are added. Each crown has its own start (its age on the
day of the opening, say), so that crowns are compared at equal age. And a state may have phases that meet on given days
after the start (`turns`), with a hazard ratio each. With one turn t, for crown i that starts on s_i, H its stratum's,

    failure(d) = mean over i of 1 - exp(-(H(s_i + t) - H(s_i)) r1_i - (H(s_i + d) - H(s_i + t)) r2_i),  d > t.

The mean time in place is the area above that curve [Royston 2013], by the trapezoid rule between the days asked for.
Errors are by the infinitesimal jackknife grouped by the clusters of the fit, as there.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import CoxFit
from pipeline.stats.cox_kernel import Floats, Ints
from pipeline.stats.standard_target import Target
from pipeline.stats.stratum_hazard import HazardPulls, plan_hazards

Phases = Sequence[Mapping[str, float]]
SetTo = Mapping[int, float]


@dataclass(frozen=True, eq=False)
class Windows:
    """Standardised shares failed, state by day since the start (`days`), and each cluster's pull.

    `pull` is that on the share failed by the last day, state by cluster, with the halves of a fit's prior last;
    `mean_days` is the mean number of days in place up to then, and `mean_pull` the pull on it. `turns` are the days on
    which phases meet, none where the ratio is one.
    """

    states: tuple[str, ...]
    days: Ints
    failure: Floats
    pull: Floats
    mean_days: Floats
    mean_pull: Floats
    crowns: int
    turns: tuple[int, ...] = ()

    def carriers(self, group: str, reference: str) -> float:
        """How many clusters that pull alike would make the error of the difference known as well as these do.

        The squared sum of their squared pulls over the sum of the squares: as many as there are where all pull alike.
        """
        square = (self.pull[self.states.index(group)] - self.pull[self.states.index(reference)]) ** 2
        return float(square.sum() ** 2 / (square @ square)) if square.any() else 0.0

    def mean_difference(self, group: str, reference: str) -> tuple[float, float]:
        """Difference of the mean days in place, and its error."""
        one, other = self.states.index(group), self.states.index(reference)
        return float(self.mean_days[one] - self.mean_days[other]), _error(self.mean_pull[one] - self.mean_pull[other])

    def log_hazard_ratio(self, group: str, reference: str) -> tuple[float, float]:
        """Log of the ratio of the cumulative hazards by the last day, log(-log S): the ratio on the whole."""
        kept = 1 - self.failure[:, -1]
        logs = np.log(-np.log(kept))
        slope = -1 / (kept * np.log(kept))
        one, other = self.states.index(group), self.states.index(reference)
        pull = slope[one] * self.pull[one] - slope[other] * self.pull[other]
        return float(logs[one] - logs[other]), _error(pull)


def standardise_windows(
    fit: CoxFit,
    target: Target,
    *,
    start: ArrayLike,
    days: ArrayLike,
    states: Mapping[str, Phases],
    turns: Sequence[int] = (),
    min_at_risk: int,
) -> Windows:
    """Standardised shares failed by each of `days` since each crown's `start`, in each state.

    - `fit`, `target`: As in `standardise`. A stratum with fewer than `min_at_risk` at risk on a day borrows there, as
      it does there.
    - `start`: The day of the fit's clock from which each crown of the target counts (its own failures left out unless
      0): one number per crown, or one for all.
    - `days`: Increasing whole days above 0, counted from the start. All crowns must be observed to the last: see to it.
    - `states`: For each state its phases: the value of every column that describes it.
    - `turns`: The days since the start on which a phase ends and the next begins; one less than there are phases.

    Raises ValueError if the fit did not converge.
    """
    if not fit.converged:
        raise ValueError("The fit did not converge: it predicts nothing.")
    length = np.asarray(days, dtype=np.int64)
    begin = np.asarray(start, dtype=np.int64)
    last = int(begin.max() + length[-1])
    plan = plan_hazards(fit, from_day=int(begin.min()), last_day=last, min_at_risk=min_at_risk)
    summed = _Summed(fit, target, HazardPulls(plan, fit), begin=begin, turns=tuple(turns))
    # The area above the curve by trapezoids, from a share of none on the day of the start.
    steps = np.diff(length, prepend=0, append=length[-1])
    trapezoid = (steps[:-1] + steps[1:]) / 2
    found = [summed.state(phases, length, trapezoid) for phases in states.values()]
    pull, mean_pull, failure = (np.stack(part) for part in zip(*found, strict=True))
    return Windows(
        states=tuple(states),
        days=length,
        failure=failure,
        pull=pull,
        mean_days=length[-1] - failure @ trapezoid,
        mean_pull=-mean_pull,
        crowns=len(target.x),
        turns=tuple(turns),
    )


class _Summed:
    """The sums behind one standardisation, state by state."""

    def __init__(self, fit: CoxFit, target: Target, pulls: HazardPulls, *, begin: Ints, turns: tuple[int, ...]) -> None:
        self.fit, self.target, self.pulls, self.begin, self.turns = fit, target, pulls, begin, turns
        plan, design, sets = pulls.plan, fit.design, fit.design.sets
        self.times = np.unique(sets.group_time)
        each = np.zeros((plan.n_strata, len(self.times)))
        place = np.searchsorted(self.times, sets.group_time)
        np.add.at(each, (sets.group_stratum, place), np.where(plan.own, fit.at_estimate.h, 0.0))
        if plan.lending is not None:
            each += pulls.ratio[:, None] * plan.lending.thin * pulls.pooled_at.h
        self.hazard = np.concatenate((np.zeros((plan.n_strata, 1)), np.cumsum(each, axis=1)), axis=1)
        self.z = design.z if target.x is design.rows.x else ((target.x - design.center) / design.scale).T
        self.share = target.weight / target.weight.sum()
        self.unit = np.arange(len(design.rows.exit)) if design.rows.cluster is None else design.rows.cluster
        self.n_units = int(self.unit.max()) + 1
        self.change = fit.influence(by_cluster=True)

    def state(self, phases: Phases, length: Ints, trapezoid: Floats) -> tuple[Floats, Floats, Floats]:
        """Pulls on the share failed by the last day and on the sum of shares times `trapezoid`; the shares."""
        set_to = [self._set(phase) for phase in phases]
        risks = [self._risk(values) for values in set_to]
        failure = np.zeros(len(length))
        last, before = _Sums(self), _Sums(self)
        for k, days in enumerate(length):
            stretches = self._stretches(int(days))
            exponent = sum(r * self._between(a, b) for r, (a, b) in zip(risks, stretches, strict=True))
            kept = np.exp(-np.asarray(exponent))
            failure[k] = self.share @ (1 - kept)
            sums, weight = (last, 1.0) if k == len(length) - 1 else (before, float(trapezoid[k]))
            sums.add(weight, kept, failure[k], phases=list(zip(risks, set_to, stretches, strict=True)))
        pull = last.pull()
        mean_pull = trapezoid[-1] * pull
        return pull, mean_pull if len(length) == 1 else mean_pull + before.pull(), failure

    def _set(self, phase: Mapping[str, float]) -> SetTo:
        """The columns that a phase sets, on the scale of the fit."""
        design = self.fit.design
        columns = {self.fit.names.index(name): value for name, value in phase.items()}
        return {c: float((value - design.center[c]) / design.scale[c]) for c, value in columns.items()}

    def _risk(self, set_to: SetTo) -> Floats:
        """The relative hazards of the target's crowns with these columns set."""
        beta = self.fit.coef * self.fit.design.scale
        rest = beta.copy()
        rest[list(set_to)] = 0.0
        return np.asarray(np.exp(rest @ self.z + sum(beta[c] * value for c, value in set_to.items())))

    def _stretches(self, days: int) -> list[tuple[Ints, Ints]]:
        """Where in the event days each phase begins and ends, crown by crown."""
        edges = [self._place(self.begin + min(day, days)) for day in (0, *self.turns, days)]
        return list(pairwise(edges))

    def _place(self, day: Ints) -> Ints:
        return np.where(day > 0, np.searchsorted(self.times, day, side="right"), 0)

    def _between(self, a: Ints, b: Ints) -> Floats:
        stratum = self.target.stratum
        return np.asarray(self.hazard[stratum, b] - self.hazard[stratum, a])


class _Sums:
    """What a weighted sum of shares failed hangs on: hazards by day, coefficients, and the crowns themselves."""

    def __init__(self, of: _Summed) -> None:
        self.of = of
        self.by_day = np.zeros_like(of.hazard)
        self.beta = np.zeros(len(of.fit.names))
        self.crowns = np.zeros(of.n_units)

    def add(
        self, weight: float, kept: Floats, mean: float, *, phases: Sequence[tuple[Floats, SetTo, tuple[Ints, Ints]]]
    ) -> None:
        """Add `weight` times the share failed; of each phase its risks, the columns it sets and its stretch of days."""
        of, target = self.of, self.of.target
        share = weight * of.share
        row, shape = target.stratum * of.hazard.shape[1], of.hazard.shape
        for risk, set_to, (a, b) in phases:
            per_hazard = share * kept * risk
            for place, sign in ((a, 1.0), (b, -1.0)):
                self.by_day += sign * kernel.sum_by(row + place, per_hazard, of.hazard.size).reshape(shape)
            per_beta = per_hazard * of._between(a, b)
            slope = of.z @ per_beta
            for column, value in set_to.items():
                slope[column] = value * per_beta.sum()
            self.beta += slope
        if target.cluster is not None:
            self.crowns += kernel.sum_by(target.cluster, share * (1 - kept - mean), of.n_units)

    def pull(self) -> Floats:
        """Each cluster's pull on the sum."""
        through = self.of.pulls.on_increments(np.cumsum(self.by_day, axis=1)[:, :-1])
        rows = kernel.sum_by(self.of.unit, through.rows, self.of.n_units)
        beta = (self.beta + through.beta) * self.of.fit.design.scale
        own, prior = rows + self.of.change @ beta + self.crowns, self.of.fit.of_prior
        return np.asarray(own if prior is None else np.append(own, prior @ beta))


def _error(pull: Floats) -> float:
    return float(np.sqrt(pull @ pull)) or float("nan")
