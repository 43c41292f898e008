"""Baseline hazard of each stratum of a Cox fit over a window of days, and by how much each row pulls on it.

A stratum (a clinician) may have nobody under observation on some days of the window: it started late, or its records
end early. Its own baseline then says nothing of those days. There it borrows: the baseline of all strata together,
times the stratum's observed over expected failures, which is how indirect standardisation scales a reference rate
[Breslow 1987, chapter 2].
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import CoxFit
from pipeline.stats.cox_kernel import Bools, Floats, Ints, Moments, RiskSets


@dataclass(frozen=True, eq=False)
class Lending:
    """The risk sets of all strata together, and where each stratum borrows from them.

    `thin` (stratum by event day of `sets`) marks the days of the window on which a stratum has too few at risk.
    `scaled` marks the strata with failures of their own, which scale what they borrow.
    """

    sets: RiskSets
    thin: Bools
    scaled: Bools
    row_stratum: Ints


@dataclass(frozen=True, eq=False)
class HazardPlan:
    """Which event days count towards which stratum's hazard: `own` marks the groups of the fit's risk sets that do.

    `lending` is None if no stratum borrows.
    """

    own: Bools
    n_strata: int
    lending: Lending | None


def plan_hazards(fit: CoxFit, *, from_day: int, last_day: int, min_at_risk: int) -> HazardPlan:
    """Lay out the hazards from `from_day` on (its own failures left out unless it is 0).

    Days with too few at risk are looked for up to `last_day`.
    """
    design = fit.design
    rows, sets = design.rows, design.sets
    n_strata = len(rows.strata_values)
    pooled = sets
    if n_strata > 1:
        pooled = kernel.build_risk_sets(
            rows.exit,
            rows.event,
            entry=rows.entry,
            strata=np.zeros(len(rows.exit), dtype=np.intp),
            weight=rows.weight,
            ties=design.ties,
        )
    thin = thin_days(fit, pooled.group_time, from_day=from_day, last_day=last_day, min_at_risk=min_at_risk)
    counted = after_day(sets.group_time, from_day)
    lending = None
    if thin.any():
        counted &= ~thin[sets.group_stratum, np.searchsorted(pooled.group_time, sets.group_time)]
        events = np.bincount(rows.strata[rows.event], minlength=n_strata)
        lending = Lending(pooled, thin, events > 0, rows.strata)
    return HazardPlan(counted, n_strata, lending)


def thin_days(fit: CoxFit, times: Floats, *, from_day: int, last_day: int, min_at_risk: int) -> Bools:
    """Stratum by failure day of the window: whether fewer than `min_at_risk` rows of the stratum are at risk then.

    A fit without strata has one baseline and never borrows: none of its days is thin.
    """
    n_strata = len(fit.design.rows.strata_values)
    thin = np.zeros((n_strata, len(times)), dtype=np.bool_)
    if n_strata > 1:
        inside = after_day(times, from_day) & (times <= last_day)
        for code in range(n_strata):
            thin[code] = inside & (rows_at_risk(fit, code, times) < min_at_risk)
    return thin


def rows_at_risk(fit: CoxFit, code: int, days: Floats) -> Ints:
    """Number of fitted rows of one stratum with entry < day <= exit, for each day."""
    rows = fit.design.rows
    mine = rows.strata == code
    return count_below(rows.entry[mine], days) - count_below(rows.exit[mine], days)


def count_below(values: Floats, days: NDArray[Any]) -> Ints:
    """How many values lie below each day."""
    return np.searchsorted(np.sort(values), days, side="left")


@dataclass(frozen=True, eq=False)
class Pull:
    """How a number changes: `rows` per unit change of each row's log weight, `beta` per unit of each coefficient."""

    rows: Floats
    beta: Floats

    def __add__(self, other: Pull) -> Pull:
        return Pull(self.rows + other.rows, self.beta + other.beta)

    def times(self, factor: float) -> Pull:
        """Both parts multiplied."""
        return Pull(self.rows * factor, self.beta * factor)


class HazardPulls:
    """Pulls on weighted sums of the strata's hazards at the fitted estimate.

    `ratio` is by what each stratum scales what it borrows: its observed over expected failures, 1 if it has none.
    """

    def __init__(self, plan: HazardPlan, fit: CoxFit) -> None:
        self.plan, self.ratio = plan, np.ones(plan.n_strata)
        self.sets, self.at = fit.design.sets, fit.at_estimate
        self.ratio_pulls: dict[int, Pull] = {}
        if plan.lending is None:
            return
        lending, pooled, z = plan.lending, plan.lending.sets, fit.design.z
        self.pooled_at = kernel.moments(pooled, z, fit.coef * fit.design.scale)
        expected = kernel.sum_by(lending.row_stratum, kernel.expected_events(pooled, self.pooled_at), plan.n_strata)
        failed = kernel.sum_by(lending.row_stratum[pooled.event_row], pooled.weight[pooled.event_row], plan.n_strata)
        with np.errstate(invalid="ignore"):  # of a stratum that no failure of anybody sees
            ratio = failed / expected
        self.ratio = np.where(lending.scaled, ratio, 1.0)
        for code in np.flatnonzero(lending.scaled & lending.thin.any(axis=1)):
            self.ratio_pulls[int(code)] = _log_ratio_pull(lending, self.pooled_at, z, int(code))

    def on_increments(self, factor: Floats) -> Pull:
        """Pull on the sum of factor times hazard over strata and event days of all (`HazardPlan.lending`, else own).

        `factor` is stratum by event day, in the order of the distinct days of the fit's risk sets.
        """
        plan, days = self.plan, np.unique(self.sets.group_time)
        place = np.searchsorted(days, self.sets.group_time)
        total = pull_of(self.sets, self.at, np.where(plan.own, factor[self.sets.group_stratum, place], 0.0))
        if plan.lending is None:
            return total
        ratio, borrowed = self.ratio, factor * plan.lending.thin
        total += pull_of(plan.lending.sets, self.pooled_at, ratio @ borrowed)
        for code, pull in self.ratio_pulls.items():
            total += pull.times(float(ratio[code] * (borrowed[code] @ self.pooled_at.h)))
        return total


def after_day(times: Floats, from_day: int) -> Bools:
    """Which times lie after a day; day 0 itself counts, where nothing is left out before."""
    return np.asarray(times > from_day if from_day > 0 else times >= 0)


def pull_of(sets: RiskSets, at: Moments, whole: Floats, left_out: Floats | None = None) -> Pull:
    """Pull on the sum over groups of whole * h - left_out * hf (see `Moments`), the factors held fixed."""
    out = np.zeros(sets.n_groups) if left_out is None else left_out
    row, group = sets.event_row, sets.event_group
    through_risk = whole * at.q - out * at.qf
    through_tied = whole * at.qf - out * at.qff
    rows = -at.risk * kernel.over_run(sets, through_risk)
    rows[row] += at.risk[row] * through_tied[group]
    rows[row] += (sets.weight[row] / sets.group_weight[group]) * (whole * at.h - out * at.hf)[group]
    return Pull(rows, at.tied @ through_tied - at.at_risk @ through_risk)


def _log_ratio_pull(lending: Lending, at: Moments, z: Floats, code: int) -> Pull:
    """Pull on the log of one stratum's observed over expected failures."""
    sets, mine = lending.sets, lending.row_stratum == code
    expected = np.where(mine, kernel.expected_events(sets, at), 0.0)
    risk = np.where(mine, at.risk, 0.0)
    through_hazard = pull_of(sets, at, kernel.sum_at_risk(sets, risk), kernel.sum_events(sets, risk))
    on_expected = Pull(expected, z @ expected) + through_hazard
    failed = np.zeros(len(risk))
    failed[sets.event_row] = sets.weight[sets.event_row]
    failed *= mine
    observed = Pull(failed / failed.sum(), np.zeros(len(z)))
    return observed + on_expected.times(-1 / float(expected.sum()))
