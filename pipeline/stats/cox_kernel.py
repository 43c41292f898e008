"""The Cox partial likelihood over risk sets, by sums over whole columns: no loop over rows, memory linear in them.

Everything that the likelihood needs at one distinct event time of one stratum (a "group" below) is a sum over the
rows at risk then. A row is at risk in a run of consecutive groups, so all such sums are one weighted count by last
group, one by first group, and one cumulative sum. In the other direction, whatever a row collects over its run is the
difference of two cumulative sums. The matrix of second derivatives needs no matrix per group: it is one row-weighted
cross product less one cross product of the groups' means.
Sources: Therneau 2000, chapters 3 and 7; Efron 1977.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]
Ties = Literal["efron", "breslow"]
BLOCK = 2048


@dataclass(frozen=True, eq=False)
class RiskSets:
    """Who is at risk when: one group per distinct event time of a stratum, ordered by stratum, then time.

    Row i is at risk in groups `first[i]` up to, not including, `last[i]`: those with entry < time <= exit.
    `late` lists the rows whose first group is not group 0. `event_row` lists the rows with an event and `event_group`
    the group of each. An Efron step is one denominator: a group with d events has d of them, of which step k leaves
    out k/d (`step_share`) of the tied events; under Breslow each group has one step that leaves out nothing.
    """

    weight: Floats
    first: Ints
    last: Ints
    late: Ints
    event_row: Ints
    event_group: Ints
    group_time: Floats
    group_stratum: Ints
    group_weight: Floats
    step_group: Ints
    step_share: Floats
    step_weight: Floats

    # Asked for with every column of every step.
    @cached_property
    def n_groups(self) -> int:
        """Number of distinct event times, counted within strata."""
        return len(self.group_time)

    @cached_property
    def late_first(self) -> Ints:
        """The first group of each row of `late`."""
        return self.first[self.late]


@dataclass(frozen=True, eq=False)
class Moments:
    """What one value of the coefficients makes of the risk sets.

    `risk` is weight * exp(eta) per row. With D a step's denominator, w its weight and f its share left out, the
    columns per group are sums over steps: `h` of w/D (the hazard), `hf` of wf/D, `q` of w/D^2, `qf` of wf/D^2,
    `qff` of wf^2/D^2. `at_risk` and `tied` (covariate by group) are the sums of risk * x over all at risk and over
    the events alone.
    """

    loglik: float
    risk: Floats
    h: Floats
    hf: Floats
    q: Floats
    qf: Floats
    qff: Floats
    at_risk: Floats
    tied: Floats


@dataclass(frozen=True, eq=False)
class RowSums:
    """What rows add to the groups at one value of the coefficients: those of some rows and of others add up.

    `event_eta` is the weighted sum of the linear predictors of events; `total` and `total_tied` (per group) and
    `at_risk` and `tied` (covariate by group) are sums of risk and of risk * x over all at risk and over events alone.
    """

    event_eta: float
    total: Floats
    total_tied: Floats
    at_risk: Floats
    tied: Floats


def build_risk_sets(
    exit_: Floats, event: Bools, *, entry: Floats, strata: Ints, weight: Floats, ties: Ties
) -> RiskSets:
    """Lay rows out by the groups in which they are at risk.

    `entry` may hold -inf for rows followed from the start, so that an event on day 0 counts. `strata` are codes
    0, 1, 2...; all weights are positive and at least one row has an event (the caller has checked both).
    """
    times = np.unique(exit_[event])
    of_events = group_keys(times, exit_[event], strata[event])
    keys, group, events = np.unique(of_events, return_inverse=True, return_counts=True)
    groups = lay_out_groups(times, keys, events, sum_by(group, weight[event], len(keys)), ties)
    return place_rows(groups, times, keys, exit_, event, entry=entry, strata=strata, weight=weight)


def group_keys(times: Floats, days: Floats, strata: Ints) -> Ints:
    """One sortable number per (stratum, day): the rank of the last event time not after the day."""
    return np.asarray(strata * (len(times) + 1) + ranks(times, days))


def lay_out_groups(times: Floats, keys: Ints, events: Ints, weight: Floats, ties: Ties) -> RiskSets:
    """The groups of these `keys` with their number of events and the weight of these, as yet without rows."""
    none, width = np.empty(0, dtype=np.intp), len(times) + 1
    step_group, step_share, step_weight = steps_of(events, weight, ties)
    return RiskSets(
        weight=np.empty(0),
        first=none,
        last=none,
        late=none,
        event_row=none,
        event_group=none,
        group_time=times[keys % width - 1],
        group_stratum=keys // width,
        group_weight=weight,
        step_group=step_group,
        step_share=step_share,
        step_weight=step_weight,
    )


def place_rows(
    groups: RiskSets,
    times: Floats,
    keys: Ints,
    exit_: Floats,
    event: Bools,
    *,
    entry: Floats,
    strata: Ints,
    weight: Floats,
) -> RiskSets:
    """The groups with these rows laid out on them, which may be all rows or a part."""
    first = ranks(keys, group_keys(times, entry, strata))
    last = ranks(keys, group_keys(times, exit_, strata))
    event_row = np.flatnonzero(event)
    return replace(
        groups,
        weight=weight,
        first=first,
        last=last,
        late=np.flatnonzero(first > 0),
        event_row=event_row,
        event_group=last[event_row] - 1,
    )


def ranks(grid: NDArray[Any], values: NDArray[Any]) -> Ints:
    """How many of the sorted `grid` are not above each value.

    Looked up in a table where the grid holds whole numbers of a short span, as days are; by bisection otherwise.
    """
    low, high = grid[0], grid[-1]
    if not (high - low <= 4 * np.size(values) + 100_000 and np.array_equal(grid, np.floor(grid))):
        return np.searchsorted(grid, values, side="right")
    table = np.searchsorted(grid, np.arange(low - 1, high + 1), side="right")
    # A value between two whole numbers has passed as many of the grid as the lower one.
    return np.asarray(table[np.floor(np.clip(values, low - 1, high) - (low - 1)).astype(np.intp)])


def steps_of(group_events: Ints, group_weight: Floats, ties: Ties) -> tuple[Ints, Floats, Floats]:
    """`step_group, step_share, step_weight` of `RiskSets`."""
    groups = np.arange(len(group_events))
    if ties == "breslow":
        return groups, np.zeros(len(groups)), group_weight
    step_group = np.repeat(groups, group_events)
    step_in_group = np.arange(len(step_group)) - np.repeat(np.cumsum(group_events) - group_events, group_events)
    return step_group, step_in_group / group_events[step_group], (group_weight / group_events)[step_group]


def moments(sets: RiskSets, x: Floats, beta: Floats) -> Moments:
    """Evaluate the log partial likelihood and all sums that its derivatives share. `x` is covariate by row.

    Overflow gives a log-likelihood that is not finite, which the caller must refuse.
    """
    risk, sums = sum_rows(sets, x, beta)
    return moments_of(sets, sums, risk)


def sum_rows(sets: RiskSets, x: Floats, beta: Floats) -> tuple[Floats, RowSums]:
    """Each row's `risk` (see `Moments`) and what the rows add to the groups."""
    eta = beta @ x
    rows = sets.event_row
    with np.errstate(over="ignore", invalid="ignore"):
        risk = sets.weight * np.exp(eta)
        tied = risk[rows]
        return risk, RowSums(
            event_eta=float(sets.weight[rows] @ eta[rows]),
            total=sum_at_risk(sets, risk),
            total_tied=sum_by(sets.event_group, tied, sets.n_groups),
            at_risk=np.stack([sum_at_risk(sets, risk * column) for column in x]),
            tied=np.stack([sum_by(sets.event_group, tied * column[rows], sets.n_groups) for column in x]),
        )


def moments_of(sets: RiskSets, sums: RowSums, risk: Floats) -> Moments:
    """The moments that the sums over all rows make; of `sets` only the groups and their steps count."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        share = sets.step_share
        step_total = sums.total[sets.step_group] - share * sums.total_tied[sets.step_group]
        loglik = float(sums.event_eta - sets.step_weight @ np.log(step_total))
        per_step = sets.step_weight / step_total
        per_step_squared = per_step / step_total
        return Moments(
            loglik=loglik,
            risk=risk,
            h=_by_step(sets, per_step),
            hf=_by_step(sets, per_step * share),
            q=_by_step(sets, per_step_squared),
            qf=_by_step(sets, per_step_squared * share),
            qff=_by_step(sets, per_step_squared * share * share),
            at_risk=sums.at_risk,
            tied=sums.tied,
        )


def score(sets: RiskSets, x: Floats, at: Moments, factor: Floats | None = None) -> Floats:
    """First derivatives of the log-likelihood, one per covariate; `factor` scales each group's share of them."""
    return observed_events(sets, x, factor) - x @ expected_events(sets, at, factor)


def observed_events(sets: RiskSets, x: Floats, factor: Floats | None = None) -> Floats:
    """The part of the score that hangs on no coefficient: the weighted sum of the covariates of the events."""
    rows = sets.event_row
    weight = sets.weight[rows] if factor is None else sets.weight[rows] * factor[sets.event_group]
    observed: Floats = x[:, rows] @ weight
    return observed


def information(sets: RiskSets, x: Floats, at: Moments, factor: Floats | None = None) -> Floats:
    """Minus the second derivatives, covariate by covariate; `factor` scales each group's share of them."""
    return second_of_rows(sets, x, at, factor) - product_of_means(sets, at, factor)


def second_of_rows(sets: RiskSets, x: Floats, at: Moments, factor: Floats | None = None) -> Floats:
    """The part of the information that is a sum over rows: that of some rows and of others add up."""
    return cross_product(x, expected_events(sets, at, factor))


def cross_product(x: Floats, weight: Floats) -> Floats:
    """Weighted cross product of the rows of `x` (covariate by row), by blocks of rows that fit near the processor."""
    total = np.zeros((len(x), len(x)))
    for block in blocks(x.shape[1]):
        total += (x[:, block] * weight[block]) @ x[:, block].T
    return total


def blocks(n_rows: int) -> Iterator[slice]:
    """Stretches of `BLOCK` rows."""
    return (slice(begin, begin + BLOCK) for begin in range(0, n_rows, BLOCK))


def product_of_means(sets: RiskSets, at: Moments, factor: Floats | None = None) -> Floats:
    """The part of the information that hangs on the groups alone."""
    one = np.ones(sets.n_groups) if factor is None else factor
    cross = (at.at_risk * (at.qf * one)) @ at.tied.T
    means = (at.at_risk * (at.q * one)) @ at.at_risk.T - cross - cross.T + (at.tied * (at.qff * one)) @ at.tied.T
    return np.asarray(means)


def expected_events(sets: RiskSets, at: Moments, factor: Floats | None = None) -> Floats:
    """Weighted events expected per row over the groups in which it is at risk (risk times cumulative hazard)."""
    h, hf = (at.h, at.hf) if factor is None else (at.h * factor, at.hf * factor)
    expected = at.risk * over_run(sets, h)
    rows = sets.event_row
    expected[rows] -= at.risk[rows] * hf[sets.event_group]
    return expected


def scores_by(sets: RiskSets, x: Floats, at: Moments, cluster: Ints | None, factor: Floats | None = None) -> Floats:
    """Cluster (or row, where there are none) by covariate: the weighted parts of the score, which sum to it."""
    columns = (column * sets.weight for column in score_residuals(sets, x, at, factor))
    if cluster is not None:
        n = int(cluster.max()) + 1
        columns = (sum_by(cluster, column, n) for column in columns)
    return np.stack(list(columns), axis=1)


def score_residuals(sets: RiskSets, x: Floats, at: Moments, factor: Floats | None = None) -> Iterator[Floats]:
    """Each row's part of the score, one covariate after the other, not multiplied by the row's weight.

    Tied events share the group's steps equally (Efron), so the rows' parts, times their weights, sum to the score.
    `factor` scales each group's share of the score.
    """
    rows, group = sets.event_row, sets.event_group
    one = np.ones(sets.n_groups) if factor is None else factor
    relative = at.risk / sets.weight
    mean_hazard = (at.at_risk * at.q - at.tied * at.qf) * one
    mean_hazard_left_out = (at.at_risk * at.qf - at.tied * at.qff) * one
    event_mean = (at.at_risk * at.h - at.tied * at.hf) / sets.group_weight
    cumulative, left_out = over_run(sets, at.h * one), at.hf * one
    for j, column in enumerate(x):
        part = relative * (over_run(sets, mean_hazard[j]) - column * cumulative)
        own = column[rows] * left_out[group] - mean_hazard_left_out[j][group]
        part[rows] += (column[rows] - event_mean[j][group]) * one[group] + relative[rows] * own
        yield part


def sum_at_risk(sets: RiskSets, values: Floats) -> Floats:
    """Per group, the sum of the rows' values over the rows at risk in it."""
    change = sum_by(sets.last, values, sets.n_groups + 1)
    if len(sets.late):
        change -= sum_by(sets.late_first, values[sets.late], sets.n_groups + 1)
    # Backwards, so that the small late risk sets are not differences of large sums.
    return np.cumsum(change[:0:-1])[::-1]


def sum_events(sets: RiskSets, values: Floats) -> Floats:
    """Per group, the sum of the rows' values over the rows with an event in it."""
    return sum_by(sets.event_group, values[sets.event_row], sets.n_groups)


def over_run(sets: RiskSets, values: Floats) -> Floats:
    """Per row, the sum of the groups' values over the groups in which the row is at risk."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    if not len(sets.late):
        return np.asarray(total[sets.last])
    return np.asarray(total[sets.last] - total[sets.first])


def _by_step(sets: RiskSets, values: Floats) -> Floats:
    return sum_by(sets.step_group, values, sets.n_groups)


def sum_by(code: Ints, values: Floats, n: int) -> Floats:
    """Sum of the values of each code 0 to n - 1."""
    return np.bincount(code, values, n).astype(np.float64, copy=False)
