"""Aalen-Johansen cumulative incidence: the share that has had each of several competing events by a day.

Ties need no breaking: on each day every cause takes its part of those still free, S(day before) * events / at risk.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.counts import Counts, count, event_free, exposure, hazard, per_survivor
from pipeline.stats.influence import Changes
from pipeline.stats.limits import share_limits
from pipeline.stats.spells import Floats, Ints, Spells, Values, read_spells


@dataclass(frozen=True)
class IncidencePoints:
    """Cumulative incidence at chosen days: causes down, days across. NaN where nothing is known (see `Points`)."""

    days: Ints
    incidence: Floats
    std_error: Floats
    low: Floats
    high: Floats
    event_free: Floats


@dataclass(frozen=True)
class Incidence:
    """Cumulative incidence per cause: causes 1, 2, ... down, distinct exit days `time` across.

    `at_risk` (sum of weights) and `rows_at_risk` are counted just before the day, all shares hold just after it;
    `event_free` + the sum of `incidence` over causes is 1. Errors are the infinitesimal jackknife over `n_units`
    independent units, NaN where there is only one. `from_day` is as in `Curve`.
    """

    time: Ints
    at_risk: Floats
    rows_at_risk: Ints
    events: Floats
    incidence: Floats
    std_error: Floats
    low: Floats
    high: Floats
    event_free: Floats
    event_free_std_error: Floats
    confidence: float
    n_units: int
    from_day: int

    def at(self, days: ArrayLike) -> IncidencePoints:
        """The curves as step functions at whole days."""
        day = np.atleast_1d(np.asarray(days)).astype(np.int64)
        index = np.searchsorted(self.time, day, side="right")
        none = (day < self.from_day) | ((day > self.time[-1]) & (self.event_free[-1] > 0))

        def read(values: Floats, at_start: float) -> Floats:
            padded = np.concatenate((np.full((len(values), 1), at_start), values), axis=1)
            return np.where(none, np.nan, padded[:, index])

        return IncidencePoints(
            days=day,
            incidence=read(self.incidence, 0.0),
            std_error=read(self.std_error, 0.0),
            low=read(self.low, np.nan),
            high=read(self.high, np.nan),
            event_free=read(self.event_free[None, :], 1.0)[0],
        )


def aalen_johansen(
    exit_days: Values,
    cause: Values,
    *,
    entry_days: Values | None = None,
    weights: Values | None = None,
    cluster: Values | None = None,
    from_day: int = 0,
    n_causes: int | None = None,
    confidence: float = 0.95,
) -> Incidence:
    """Cumulative incidence [Aalen 1978] of each cause in one group.

    `cause` is 0 where follow-up ended first, else 1, 2, ...; `n_causes` keeps lines for causes that do not occur.
    The other columns are those of `kaplan_meier`. The variance is the infinitesimal jackknife: grouped by cluster, else
    by row. By row it is that of R's multi-state `survfit`; grouped, it is the sum of R's influence
    matrix by cluster (survival 3.5-3 itself ignores `cluster` there). Limits are taken on the incidence itself.

    Raises ValueError as `read_spells` does, and if a cause lies above `n_causes`.
    """
    spells = read_spells(
        exit_days, cause, entry_days=entry_days, weights=weights, cluster=cluster, from_day=from_day, with_units=True
    )
    causes = _n_causes(spells, n_causes)
    counts = count(spells, n_causes=causes)
    free = event_free(counts)
    incidence = incidence_of(counts, free)
    variance, free_variance = squared_influence(spells, counts, free, incidence)
    return make_incidence(
        counts, variance, free_variance, n_units=spells.n_units, from_day=from_day, confidence=confidence
    )


def make_incidence(
    counts: Counts,
    variance: Floats,
    free_variance: Floats,
    *,
    n_units: int,
    from_day: int = 0,
    confidence: float = 0.95,
) -> Incidence:
    """The curves that counts and squared influences (see `squared_influence`) make."""
    free = event_free(counts)
    incidence = incidence_of(counts, free)
    one_unit = np.nan if n_units < 2 else 1.0
    std_error = np.sqrt(variance) * one_unit
    low, high = share_limits(incidence, std_error, confidence=confidence)
    return Incidence(
        time=counts.time,
        at_risk=counts.at_risk,
        rows_at_risk=counts.rows_at_risk,
        events=counts.events,
        incidence=incidence,
        std_error=std_error,
        low=low,
        high=high,
        event_free=free,
        event_free_std_error=np.where(free > 0, free * np.sqrt(free_variance), np.nan) * one_unit,
        confidence=confidence,
        n_units=n_units,
        from_day=from_day,
    )


def squared_influence(spells: Spells, counts: Counts, free: Floats, incidence: Floats) -> tuple[Floats, Floats]:
    """Sum over units of the squared influence on each incidence (causes down), and on the log share free of any event.

    Those of some patients and of others add up: `counts`, `free` and `incidence` may rest on more rows than `spells`,
    which `counts.first` and `counts.last` place.
    """
    gain, jump = _event_free_terms(spells, counts)
    changes = Changes(exposure(spells, counts))
    common = _Common.of(changes, gain, jump)
    variance = np.empty_like(incidence)
    for number in range(len(incidence)):
        variance[number] = common.incidence_variance(
            changes, incidence[number], *_cause_terms(spells, counts, free, incidence[number], number)
        )
    return variance, common.event_free_variance()


def _n_causes(spells: Spells, wanted: int | None) -> int:
    if len(spells.exit) == 0:
        raise ValueError("no row is followed past from_day")
    highest = max(int(spells.cause.max()), 1)
    if wanted is not None and highest > wanted:
        raise ValueError(f"a cause lies above n_causes, {wanted}")
    return highest if wanted is None else wanted


def incidence_of(counts: Counts, free: Floats) -> Floats:
    """Incidence after each day, causes down."""
    before = np.concatenate(([1.0], free[:-1]))
    return np.array([np.cumsum(before * hazard(counts, events)) for events in counts.events])


def _event_free_terms(spells: Spells, counts: Counts) -> tuple[Floats, Floats]:
    """Gain and jump (see `influence.py`) of the log share free of any event."""
    step, own = per_survivor(counts)
    return np.cumsum(step), np.where(spells.cause > 0, own[counts.last], 0.0)


def _cause_terms(spells: Spells, counts: Counts, free: Floats, incidence: Floats, number: int) -> tuple[Floats, Floats]:
    """Gain and jump of the part of a cause's influence that subtracts: incidence * (event-free influence) - this.

    The incidence F is a sum of S(u-) * events / at risk. What moves log S on day v moves all that comes later,
    F(t) - F(v); so the influence is F(t) times that of log S, less the sum of F(v) times its steps and of what the
    row's own share of each day's hazard takes. Only differences of F enter, so F may be counted from its end, which
    keeps both parts small where few are left at risk.
    """
    step, own = per_survivor(counts)
    from_end = incidence - incidence[-1]
    before = np.concatenate(([1.0], free[:-1]))
    with np.errstate(divide="ignore", invalid="ignore"):
        taken = np.where(counts.rows_at_risk > 0, before / counts.at_risk, 0.0)
    gain = np.cumsum(step * from_end + taken * hazard(counts, counts.events[number]))
    jump = np.where(spells.cause > 0, (own * from_end)[counts.last], 0.0)
    jump += np.where(spells.cause == number + 1, taken[counts.last], 0.0)
    return gain, jump


@dataclass(frozen=True)
class _Common:
    """Sums over clusters that the variances of all causes share."""

    gain: Floats
    fixed: tuple[Floats, Floats]
    square: Floats
    cross: Floats
    risk: Floats

    @classmethod
    def of(cls, changes: Changes, gain: Floats, jump: Floats) -> _Common:
        fixed = changes.fixed(gain, jump)
        return cls(
            gain=gain,
            fixed=fixed,
            square=changes.product(fixed, fixed),
            cross=changes.product(fixed, changes.at_risk),
            risk=changes.product(changes.at_risk, changes.at_risk),
        )

    def event_free_variance(self) -> Floats:
        """Variance of the log share free of any event."""
        return np.maximum(self.square + 2 * self.gain * self.cross + self.gain**2 * self.risk, 0.0)

    def incidence_variance(self, changes: Changes, incidence: Floats, gain: Floats, jump: Floats) -> Floats:
        """Sum over clusters of the squared influence on one cause's incidence.

        A cluster's influence is F * (fixed + at_risk * gain) - (own fixed + at_risk * own gain), with F counted from
        its end.
        """
        own = changes.fixed(gain, jump)
        share = incidence - incidence[-1]
        slope = share * self.gain - gain
        total = share**2 * self.square - 2 * share * changes.product(self.fixed, own) + changes.product(own, own)
        total += 2 * slope * (share * self.cross - changes.product(own, changes.at_risk))
        return np.asarray(np.maximum(total + slope**2 * self.risk, 0.0), dtype=np.float64)
