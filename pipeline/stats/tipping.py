"""How many more of those lost from sight must have failed before a curve ends elsewhere: the mean of imputed curves.

A curve takes those lost to fare as those still followed. Here they are carried on after their loss with the hazard of
those followed times a ratio: 1 gives the curve as it is, 0 none of them failing any more, a ratio without bound all of
them failing at the next failure. It is the delta-adjusted multiple imputation of failure times [Zhao 2014; Jackson
2014] with the draws replaced by their mean, so it needs no chance: on each day with failures

    hazard of all = (failures + L * h) / (followed + L),   h = 1 - (1 - failures / followed) ** ratio,

where L is how many of the lost are expected to be in place still. A tipping point [Yan 2009] is the ratio from which
the conclusion is another one.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.stats.counts import count
from pipeline.stats.spells import Floats, Ints, Values, read_spells, whole_numbers

ALL_FAIL = 1e9
HALVINGS = 60


@dataclass(frozen=True)
class Imputed:
    """Share failed by the horizon of all, and failures by then among those lost, after their loss, per one lost."""

    failed: float
    lost_failed: float


@dataclass(frozen=True, eq=False)
class LostCurve:
    """A group laid out for any ratio; see `lay_out`. `n_lost` were lost after `from_day` and before the horizon."""

    failures: Floats
    followed: Floats
    joins: Ints  # of each lost: the first failure day after its loss, as index
    leaves: Ints  # of each lost: the first failure day past the day that it could have reached
    n_lost: int

    def at(self, ratio: float) -> Imputed:
        """The curve of all with the lost failing `ratio` times as fast as those followed."""
        n_days = len(self.failures)
        hazard = self.failures / self.followed
        of_lost = 1 - (1 - hazard) ** ratio
        # Those lost, by the failure day on which they could have been followed no longer.
        there = np.zeros(n_days + 1)
        order = np.argsort(self.joins, kind="stable")
        joins, leaves = self.joins[order], self.leaves[order]
        edges = np.searchsorted(joins, np.arange(n_days + 1))
        kept, imputed = 1.0, 0.0
        for day in range(n_days):
            np.add.at(there, leaves[edges[day] : edges[day + 1]], 1.0)
            there[day] = 0.0  # reached their last possible day before this one
            lost = float(there.sum())
            failing = lost * of_lost[day]
            kept *= 1 - (self.failures[day] + failing) / (self.followed[day] + lost)
            imputed += failing
            there *= 1 - of_lost[day]
        return Imputed(float(1 - kept), float(imputed / self.n_lost) if self.n_lost else 0.0)

    def ratio_for(self, shift: float) -> float | None:
        """The ratio at which the share failed of all is `shift` higher (or lower) than at 1; None where none does it.

        By halving, between 1 and none or all of the lost failing; the share never falls as the ratio rises.
        """
        now = self.at(1.0).failed
        low, high = (1.0, ALL_FAIL) if shift > 0 else (0.0, 1.0)
        reach = self.at(high if shift > 0 else low).failed - now
        if abs(reach) < abs(shift):
            return None
        for _ in range(HALVINGS):
            middle = float(np.sqrt(low * high)) if shift > 0 else (low + high) / 2
            if self.at(middle).failed - now < shift:
                low = middle
            else:
                high = middle
        return high if shift > 0 else low


def lay_out(
    exit_days: Values,
    event: Values,
    lost: Values,
    possible_days: Values,
    horizon: int,
    *,
    entry_days: Values | None = None,
    from_day: int = 0,
) -> LostCurve:
    """Lay out one group: those followed as in `kaplan_meier`, and those of them that were lost.

    `lost` rows are carried on to `possible_days` or the horizon, whichever is first; a loss on a day with failures
    comes after them. Raises ValueError as `read_spells` does, and if a lost row has an event.
    """
    ends, possible = whole_numbers(exit_days, "exit_days"), whole_numbers(possible_days, "possible_days")
    gone = whole_numbers(lost, "lost") != 0
    if np.any(gone & (whole_numbers(event, "event") != 0)):
        raise ValueError("a row that was lost has an event")
    counts = count(read_spells(ends, event, entry_days=entry_days, from_day=from_day), n_causes=1)
    day = (counts.events[0] > 0) & (counts.time <= horizon)
    time = counts.time[day]
    gone &= (ends < np.minimum(possible, horizon)) & (ends > from_day if from_day > 0 else ends >= 0)
    return LostCurve(
        failures=counts.events[0][day],
        followed=counts.at_risk[day],
        joins=np.searchsorted(time, ends[gone], side="right"),
        leaves=np.searchsorted(time, np.minimum(possible, horizon)[gone], side="right"),
        n_lost=int(gone.sum()),
    )
