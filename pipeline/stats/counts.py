"""Counts per distinct exit day that every curve starts from: at risk, failed, follow-up ended, entered."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.influence import Exposure
from pipeline.stats.spells import Floats, Ints, Spells, distinct_days, position_in


@dataclass(frozen=True)
class Counts:
    """One value per distinct exit day `time`; sums of weights unless the name says rows.

    `at_risk` is counted just before the day. `entered` counts a row on the first day here on which it is at risk.
    `events` has one line per cause. `all_fail` marks the days on which everything at risk has an event.
    `first` and `last` are per row: the grid index of the first day at risk and of the exit.
    """

    time: Ints
    rows_at_risk: Ints
    at_risk: Floats
    events: Floats
    censored: Floats
    entered: Floats
    all_fail: NDArray[np.bool_]
    first: Ints
    last: Ints

    @property
    def all_events(self) -> Floats:
        """Events of any cause."""
        total: Floats = self.events.sum(axis=0)
        return total


def count(spells: Spells, *, n_causes: int) -> Counts:
    """Count rows or weights at each distinct exit day. Causes above `n_causes` must not occur."""
    time = distinct_days(spells.exit)
    first = position_in(spells.entry, time, after=True)
    last = position_in(spells.exit, time, after=False)
    size, cause, weight = len(time), spells.cause, spells.weight
    entries, exits = np.bincount(first, minlength=size), np.bincount(last, minlength=size)
    rows_at_risk = np.cumsum(entries) - np.cumsum(exits) + exits
    rows_failed = np.bincount(last[cause > 0], minlength=size)
    cell = last * (n_causes + 1) + cause
    per_cell: NDArray[Any] = np.bincount(cell, weights=weight, minlength=size * (n_causes + 1))
    by_cause = per_cell.astype(np.float64).reshape(size, n_causes + 1).T
    if weight is None:
        at_risk, entered = rows_at_risk.astype(np.float64), entries.astype(np.float64)
    else:
        entered = np.bincount(first, weights=weight, minlength=size).astype(np.float64)
        # Summed from the end, where few are at risk, so that nothing small is the difference of two large sums.
        later = np.cumsum(entered[::-1])[::-1] - entered
        at_risk = np.cumsum(by_cause.sum(axis=0)[::-1])[::-1] - later
    return Counts(
        time=time,
        rows_at_risk=rows_at_risk,
        at_risk=at_risk,
        events=by_cause[1:],
        censored=by_cause[0],
        entered=entered,
        all_fail=rows_failed == rows_at_risk,
        first=first,
        last=last,
    )


def event_free(counts: Counts) -> Floats:
    """Share without any event just after each day: the product of 1 - events / at risk; exactly 0 once all fail."""
    return np.asarray(np.cumprod(1.0 - hazard(counts, counts.all_events)), dtype=np.float64)


def hazard(counts: Counts, events: Floats) -> Floats:
    """Events per one at risk on each day; 0 where nothing is at risk, 1 in sum where everything at risk fails."""
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(events > 0, events / counts.at_risk, 0.0)
    if counts.all_fail.any():
        share[counts.all_fail] = events[counts.all_fail] / counts.all_events[counts.all_fail]
    return share


def per_survivor(counts: Counts) -> tuple[Floats, Floats]:
    """Per day: events / (at risk * survivors), the step of Greenwood's sum, and 1 / survivors, what a failure costs.

    On days without survivors the first is 0 and the second 1, and of no account: the share is 0 from then on whatever
    any row weighs, so that such a day adds no error.
    """
    failed = counts.all_events
    left = np.where(counts.all_fail, 1.0, counts.at_risk - failed)
    return np.where(counts.all_fail, 0.0, failed / counts.at_risk / left), 1.0 / left


def exposure(spells: Spells, counts: Counts) -> Exposure:
    """The rows on the grid of days, for the sums per independent unit."""
    if spells.unit is None:
        raise ValueError("the rows carry no units")
    return Exposure(counts.first, counts.last, spells.weights, spells.unit, spells.n_units, len(counts.time))
