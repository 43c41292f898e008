"""What each cluster adds to the error of a curve, at all days at once and without a loop over rows or days.

Reweighting a row by a little moves a curve; by how much is its influence. For every curve here the influence of row i
just after day t is made of terms

    weight_i * (gain(min(t, exit_i)) - gain(min(t, entry_i)) - jump_i * [exit_i <= t]),

where `gain` is a running sum over the event days (what being at risk earns) and `jump` what the row's own event costs.
The variance is the sum over clusters of the squared sum of influences: the infinitesimal jackknife [Therneau 2000,
section 7.2 and 8.2], grouped.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.stats.spells import Floats, Ints


@dataclass(frozen=True)
class Exposure:
    """Rows laid on a grid of days: at risk from grid index `first` to `last`, where they leave.

    `gain` below has one value per grid day and `jump` one per row. `unit` must number the clusters from 0.
    """

    first: Ints
    last: Ints
    weight: Floats
    unit: Ints
    n_units: int
    n_days: int


def unit_sums(rows: Exposure, gain: Floats, jump: Floats, index: Ints) -> Floats:
    """Sum of the influence terms of each cluster just after the grid days `index`: clusters down, days across.

    An index of -1 stands for before the first day, where every sum is 0.
    """
    padded = np.concatenate(([0.0], gain))
    at_entry = padded[rows.first]
    sums = np.zeros((rows.n_units, len(index)))
    for column, day in enumerate(index):
        upto = padded[np.minimum(rows.last, day) + 1]
        left = rows.last <= day
        term = np.where(rows.first <= day, rows.weight * (upto - at_entry - np.where(left, jump, 0.0)), 0.0)
        sums[:, column] = np.bincount(rows.unit, weights=term, minlength=rows.n_units)
    return sums


class Changes:
    """The moments at which a cluster's running sums change, in order of cluster and day.

    Between two of its rows' entries and exits a cluster's influence is `fixed + at_risk * gain(t)`, where `fixed` and
    `at_risk` do not change. So the squares need work only where something enters or leaves.
    """

    def __init__(self, rows: Exposure) -> None:
        self.rows = rows
        day = np.concatenate((rows.first, rows.last))
        key = np.concatenate((rows.unit, rows.unit)) * rows.n_days + day
        self.order = np.argsort(key, kind="stable")
        self.day = day[self.order]
        unit = key[self.order] // rows.n_days
        self.starts = np.flatnonzero(np.concatenate(([True], unit[1:] != unit[:-1])))
        self.at_risk = self._state(rows.weight, -rows.weight)

    def fixed(self, gain: Floats, jump: Floats) -> tuple[Floats, Floats]:
        """Each cluster's `fixed` part after each change, and the step that the change made."""
        rows = self.rows
        padded = np.concatenate(([0.0], gain))
        return self._state(-rows.weight * padded[rows.first], rows.weight * (padded[rows.last + 1] - jump))

    def product(self, left: tuple[Floats, Floats], right: tuple[Floats, Floats]) -> Floats:
        """Sum over clusters of the product of two states, after each grid day."""
        after, step = left
        other, other_step = right
        moved = after * other - (after - step) * (other - other_step)
        return np.cumsum(np.bincount(self.day, weights=moved, minlength=self.rows.n_days))

    def _state(self, at_entry: Floats, at_exit: Floats) -> tuple[Floats, Floats]:
        step = np.concatenate((at_entry, at_exit))[self.order]
        restarted = step.copy()
        # Taking off the total of the cluster before keeps one long running sum from carrying rounding across clusters.
        totals = np.add.reduceat(step, self.starts)
        restarted[self.starts[1:]] -= totals[:-1]
        return np.cumsum(restarted), step


def curve_variance(rows: Exposure, gain: Floats, jump: Floats) -> Floats:
    """Sum over clusters of the squared influence, after each grid day, for a curve of one term."""
    changes = Changes(rows)
    fixed, risk = changes.fixed(gain, jump), changes.at_risk
    square = changes.product(fixed, fixed)
    square += 2 * gain * changes.product(fixed, risk)
    square += gain**2 * changes.product(risk, risk)
    return np.maximum(square, 0.0)
