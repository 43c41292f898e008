"""Baseline hazard of each stratum of a Cox fit over a window of days, and by how much each row pulls on it.

A stratum (a clinician) may have nobody under observation on some days of the window: it started late, or its records
end early. Its own baseline then says nothing of those days. There it borrows: the baseline of all strata together,
times the stratum's observed over expected failures, which is how indirect standardisation scales a reference rate [1].

References
----------
[1] Breslow NE, Day NE. Statistical Methods in Cancer Research II: The Design and Analysis of Cohort Studies. IARC
    Scientific Publications 82, 1987 (chapter 2; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import CoxFit
from pipeline.stats.cox_baseline import rows_at_risk
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
    """Which event days count towards which stratum's hazard by which day; laid out once, used for every weighting.

    `own` marks the groups of the fit's risk sets that count, `by_day` the first of `days` by which a group has
    happened. `first_thin_day` is each stratum's first failure day of the window with too few at risk, NaN if there is
    none. `lending` is None if no stratum borrows.
    """

    days: Ints
    own: Bools
    by_day: Ints
    n_strata: int
    first_thin_day: Floats
    lending: Lending | None


@dataclass(frozen=True, eq=False)
class StratumHazards:
    """Cumulative hazard at the centre of the covariates, stratum by day, and the borrowed part before it is scaled."""

    total: Floats
    borrowed: Floats
    ratio: Floats


def plan_hazards(
    fit: CoxFit, days: Ints, *, from_day: int, last_day: int, min_at_risk: int, borrow: bool
) -> HazardPlan:
    """Lay out the hazards by each of the sorted `days`, from `from_day` on (its own failures left out unless it is 0).

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
    if borrow and thin.any():
        counted &= ~thin[sets.group_stratum, np.searchsorted(pooled.group_time, sets.group_time)]
        events = np.bincount(rows.strata[rows.event], minlength=n_strata)
        lending = Lending(pooled, thin, events > 0, rows.strata)
    return HazardPlan(
        days=days,
        own=counted,
        by_day=np.searchsorted(days, sets.group_time),
        n_strata=n_strata,
        first_thin_day=np.where(thin.any(axis=1), pooled.group_time[thin.argmax(axis=1)], np.nan),
        lending=lending,
    )


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


def stratum_hazards(plan: HazardPlan, sets: RiskSets, at: Moments, pooled: RiskSets | None) -> StratumHazards:
    """The hazards that one weighting gives. `pooled` are the lending risk sets under the same weights."""
    shape = (plan.n_strata, len(plan.days) + 1)
    place = sets.group_stratum * shape[1] + plan.by_day
    own = kernel.sum_by(place, np.where(plan.own, at.h, 0.0), shape[0] * shape[1]).reshape(shape)
    total = np.cumsum(own, axis=1)[:, :-1]
    if plan.lending is None or pooled is None:
        return StratumHazards(total, np.zeros_like(total), np.ones(plan.n_strata))
    lending = plan.lending
    hazard, left_out = _pooled_hazard(pooled, at.risk)
    by_day = np.searchsorted(plan.days, pooled.group_time)
    lent = [kernel.sum_by(by_day, hazard * thin, shape[1])[:-1] for thin in lending.thin]
    borrowed = np.cumsum(np.stack(lent), axis=1)
    expected = at.risk * kernel.over_run(pooled, hazard)
    expected[pooled.event_row] -= at.risk[pooled.event_row] * left_out[pooled.event_group]
    ratio = _observed(pooled, lending, plan.n_strata) / kernel.sum_by(lending.row_stratum, expected, plan.n_strata)
    ratio = np.where(lending.scaled & np.isfinite(ratio), ratio, 1.0)
    return StratumHazards(total + ratio[:, None] * borrowed, borrowed, ratio)


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
    """Pulls on weighted sums of the strata's hazards at the fitted estimate."""

    def __init__(self, plan: HazardPlan, fit: CoxFit, hazards: StratumHazards) -> None:
        self.plan, self.hazards = plan, hazards
        self.sets, self.at = fit.design.sets, fit.at_estimate
        self.ratio_pulls: dict[int, Pull] = {}
        if plan.lending is not None:
            pooled, z = plan.lending.sets, fit.design.z
            self.pooled_at = kernel.moments(pooled, z, fit.coef * fit.design.scale)
            self.pooled_by_day = np.searchsorted(plan.days, pooled.group_time)
            for code in np.flatnonzero(plan.lending.scaled & plan.lending.thin.any(axis=1)):
                self.ratio_pulls[int(code)] = _log_ratio_pull(plan.lending, self.pooled_at, z, int(code))

    def on_sum(self, factor: Floats, day: int) -> Pull:
        """Pull on the sum over strata of factor times cumulative hazard by the day at index `day`."""
        plan, ratio = self.plan, self.hazards.ratio
        counted = plan.own & (plan.by_day <= day)
        total = pull_of(self.sets, self.at, np.where(counted, factor[self.sets.group_stratum], 0.0))
        if plan.lending is None:
            return total
        lent = (factor * ratio) @ plan.lending.thin * (self.pooled_by_day <= day)
        total += pull_of(plan.lending.sets, self.pooled_at, lent)
        for code, pull in self.ratio_pulls.items():
            total += pull.times(float(factor[code] * ratio[code] * self.hazards.borrowed[code, day]))
        return total

    def on_increments(self, factor: Floats) -> Pull:
        """Pull on the sum of factor times hazard over strata and event days of all (`HazardPlan.lending`, else own).

        `factor` is stratum by event day, in the order of the distinct days of the fit's risk sets.
        """
        plan, days = self.plan, np.unique(self.sets.group_time)
        place = np.searchsorted(days, self.sets.group_time)
        total = pull_of(self.sets, self.at, np.where(plan.own, factor[self.sets.group_stratum, place], 0.0))
        if plan.lending is None:
            return total
        ratio, borrowed = self.hazards.ratio, factor * plan.lending.thin
        total += pull_of(plan.lending.sets, self.pooled_at, ratio @ borrowed)
        for code, pull in self.ratio_pulls.items():
            total += pull.times(float(ratio[code] * (borrowed[code] @ self.pooled_at.h)))
        return total


def after_day(times: Floats, from_day: int) -> Bools:
    """Which times lie after a day; day 0 itself counts, where nothing is left out before."""
    return np.asarray(times > from_day if from_day > 0 else times >= 0)


def _pooled_hazard(sets: RiskSets, risk: Floats) -> tuple[Floats, Floats]:
    """Per event day the hazard, and the part of it from which the day's own failures are left out (Efron)."""
    total, tied = kernel.sum_at_risk(sets, risk), kernel.sum_events(sets, risk)
    per_step = sets.step_weight / (total[sets.step_group] - sets.step_share * tied[sets.step_group])
    hazard = kernel.sum_by(sets.step_group, per_step, sets.n_groups)
    return hazard, kernel.sum_by(sets.step_group, per_step * sets.step_share, sets.n_groups)


def _observed(sets: RiskSets, lending: Lending, n_strata: int) -> Floats:
    return kernel.sum_by(lending.row_stratum[sets.event_row], sets.weight[sets.event_row], n_strata)


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
