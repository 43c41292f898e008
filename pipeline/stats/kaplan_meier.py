"""Kaplan-Meier: the share still free of the event, with late entry, ties, weights and teeth that share a patient."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.stats.counts import Counts, count, event_free, exposure, per_survivor
from pipeline.stats.influence import curve_variance, unit_sums
from pipeline.stats.limits import share_limits
from pipeline.stats.spells import Floats, Ints, Spells, Values, distinct_days, read_spells

# As R's quantile.survfit: shares this close count as equal, so that a product of fractions can equal one half.
TIE_TOLERANCE = float(np.sqrt(np.finfo(np.float64).eps))


@dataclass(frozen=True)
class Points:
    """A curve read at chosen days. `at_risk` counts rows just before the day; the rest holds just after it.

    NaN stands before the curve starts and after the last day on which anything was followed, unless the share had
    reached 0 by then; limits are NaN too where the scale gives none.
    """

    days: Ints
    at_risk: Ints
    survival: Floats
    std_error: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True)
class Quantile:
    """A day by which a share has failed, with limits; None where the curve or its limit never gets there."""

    days: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Influence:
    """How far each unit pulls a curve at chosen days: `values` has units down and days across and sums to 0 per day."""

    units: NDArray[Any]
    days: Ints
    survival: Floats
    values: Floats


@dataclass(frozen=True)
class Curve:
    """A Kaplan-Meier curve: one value per distinct exit day in `time`, failure or not.

    - `at_risk`, `events`, `censored`, `entered`: sums of weights (counts where there are none). At risk just before
      the day; entered since the exit day before, so that at_risk = what was left + entered.
    - `rows_at_risk`: rows, whatever they weigh.
    - `survival`, `std_error`, `low`, `high`: just after the day; error and limits are NaN once survival is 0, and
      throughout where a single cluster leaves nothing to tell the error from.
    - `n_units`: over how many independent units errors are clustered; 0 for Greenwood's.
    - `from_day`: the curve is 1 up to this day and conditional on being followed past it.
    """

    time: Ints
    at_risk: Floats
    rows_at_risk: Ints
    events: Floats
    censored: Floats
    entered: Floats
    survival: Floats
    std_error: Floats
    low: Floats
    high: Floats
    confidence: float
    n_rows: int
    n_units: int
    from_day: int
    entry_days: Ints = field(repr=False)
    entry_rows: Ints = field(repr=False)
    exit_rows: Ints = field(repr=False)

    def at(self, days: ArrayLike) -> Points:
        """The curve as a step function at whole days."""
        day = np.atleast_1d(np.asarray(days)).astype(np.int64)
        index = np.searchsorted(self.time, day, side="right")
        survival = np.concatenate(([1.0], self.survival))[index]
        none = (day < self.from_day) | ((day > self.time[-1]) & (survival > 0))

        def read(values: Floats, at_start: float) -> Floats:
            return np.where(none, np.nan, np.concatenate(([at_start], values))[index])

        return Points(
            days=day,
            at_risk=self.rows_at_risk_on(day),
            survival=np.where(none, np.nan, survival),
            std_error=read(self.std_error, 0.0),
            low=read(self.low, np.nan),
            high=read(self.high, np.nan),
        )

    def rows_at_risk_on(self, days: Ints) -> Ints:
        """Rows with entry < day <= exit, for any whole days."""
        entered = np.concatenate(([0], np.cumsum(self.entry_rows)))[np.searchsorted(self.entry_days, days)]
        left = np.concatenate(([0], np.cumsum(self.exit_rows)))[np.searchsorted(self.time, days)]
        difference: Ints = entered - left
        return difference

    def median(self, q: float = 0.5) -> Quantile:
        """The day by which a share `q` has failed: the first day with survival below 1 - q.

        Where survival equals 1 - q over a stretch, the middle of that stretch, as R's `quantile.survfit` has it. The
        limits are the same reading of the two confidence bands; a band is taken at its first crossing, since with
        late entry it need not fall steadily.
        """
        if not 0 < q < 1:
            raise ValueError("q must lie between 0 and 1")
        return Quantile(*(self._reaches(band, q) for band in (self.survival, self.low, self.high)))

    def _reaches(self, band: Floats, q: float) -> float | None:
        known = np.flatnonzero(~np.isnan(band))
        if len(known) == 0:
            return None
        level = np.minimum.accumulate(band[known])
        days = self.time[known]
        reached = np.flatnonzero(level <= 1 - q + TIE_TOLERANCE)
        if len(reached) == 0:
            return None
        first = float(days[reached[0]])
        if abs(level[reached[0]] - (1 - q)) >= TIE_TOLERANCE:
            return first
        below = np.flatnonzero(level < 1 - q - TIE_TOLERANCE)
        if len(below):
            return (first + float(days[below[0]])) / 2
        # Flat to the end of follow-up. A band that ends unknown (survival 0) says nothing of where the stretch ends.
        return (first + float(self.time[-1])) / 2 if known[-1] == len(band) - 1 else None


def kaplan_meier(
    exit_days: Values,
    event: Values,
    *,
    entry_days: Values | None = None,
    weights: Values | None = None,
    cluster: Values | None = None,
    from_day: int = 0,
    confidence: float = 0.95,
) -> Curve:
    """Kaplan-Meier curve [Kaplan 1958] of one group.

    - `exit_days`, `event`, `entry_days`: One row per stretch of follow-up, in whole days; at risk on days with entry <
      day <= exit. See `spells.py` for day 0 and ties.
    - `weights`: For adjusted curves; only their ratios matter.
    - `cluster`: The patient. With clusters or weights the variance is the infinitesimal jackknife grouped by cluster
      (else by row), as R's `survfit(..., cluster=, robust=TRUE)`; otherwise it is Greenwood's.
    - `from_day`: Start the curve at this day, at 1, among those followed past it. With late entry the first few at risk
      can otherwise take the whole curve down to 0. The default 0 keeps failures on day 0.

    Raises ValueError if the rows are broken (see `read_spells`), or none is left after `from_day`.
    """
    spells = read_spells(exit_days, event, entry_days=entry_days, weights=weights, cluster=cluster, from_day=from_day)
    one_event(spells)
    counts = count(spells, n_causes=1)
    survival = event_free(counts)
    step, own = per_survivor(counts)
    gain = np.cumsum(step)
    if spells.unit is None:
        relative = gain
    else:
        relative = curve_variance(exposure(spells, counts), gain, own_jump(spells, counts, own))
    known = (survival > 0) & ((spells.unit is None) | (spells.n_units > 1))
    std_error = np.where(known, survival * np.sqrt(relative), np.nan)
    entered_on = distinct_days(spells.entry)
    return curve_of(
        counts,
        std_error,
        n_units=spells.n_units,
        entry_days=entered_on,
        entry_rows=np.bincount(np.searchsorted(entered_on, spells.entry)),
        exit_rows=np.bincount(counts.last, minlength=len(counts.time)),
        from_day=from_day,
        confidence=confidence,
    )


def curve_of(
    counts: Counts,
    std_error: Floats,
    *,
    n_units: int,
    entry_days: Ints,
    entry_rows: Ints,
    exit_rows: Ints,
    from_day: int,
    confidence: float,
) -> Curve:
    """The curve that counts and its errors make; `entry_rows` enter on `entry_days`, `exit_rows` leave on each day."""
    survival = event_free(counts)
    low, high = share_limits(survival, std_error, confidence=confidence)
    return Curve(
        time=counts.time,
        at_risk=counts.at_risk,
        rows_at_risk=counts.rows_at_risk,
        events=counts.events[0],
        censored=counts.censored,
        entered=counts.entered,
        survival=survival,
        std_error=std_error,
        low=low,
        high=high,
        confidence=confidence,
        n_rows=int(exit_rows.sum()),
        n_units=n_units,
        from_day=from_day,
        entry_days=entry_days,
        entry_rows=entry_rows,
        exit_rows=exit_rows,
    )


def survival_influence(
    exit_days: Values,
    event: Values,
    days: ArrayLike,
    *,
    entry_days: Values | None = None,
    weights: Values | None = None,
    cluster: Values | None = None,
    from_day: int = 0,
) -> Influence:
    """Influence of each cluster (else row) on the Kaplan-Meier curve at chosen days.

    The sum of its squares over clusters is the clustered variance, and the sum of products of two groups' influences
    over the clusters that they share is the covariance of their curves. Once survival is 0 the influence is 0.
    """
    spells = read_spells(
        exit_days, event, entry_days=entry_days, weights=weights, cluster=cluster, from_day=from_day, with_units=True
    )
    one_event(spells)
    day = np.atleast_1d(np.asarray(days)).astype(np.int64)
    survival, values = pulls_on(spells, count(spells, n_causes=1), day)
    return Influence(spells.unit_labels, day, survival, values)


def pulls_on(spells: Spells, counts: Counts, days: Ints) -> tuple[Floats, Floats]:
    """The curve that counts make at some days, and the pull of each unit on it; `counts` may be of more rows."""
    step, own = per_survivor(counts)
    index = np.searchsorted(counts.time, days, side="right") - 1
    survival = np.concatenate(([1.0], event_free(counts)))[index + 1]
    return survival, survival * unit_sums(
        exposure(spells, counts), np.cumsum(step), own_jump(spells, counts, own), index
    )


def first_day_with(at_least: int, *, exit_days: Values, entry_days: Values | None = None) -> int | None:
    """The first day at whose end at least so many rows are under observation (entry <= day < exit); None if never.

    Where a group enters late, this is the day from which its curve has something to stand on: pass it as `from_day`.
    """
    spells = read_spells(exit_days, np.zeros(len(np.asarray(exit_days)), dtype=np.int64), entry_days=entry_days)
    enters = np.maximum(spells.entry, 0)
    days = distinct_days(enters)
    order = np.sort(spells.exit)
    under = np.searchsorted(np.sort(enters), days, side="right") - np.searchsorted(order, days, side="right")
    enough = np.flatnonzero(under >= at_least)
    return int(days[enough[0]]) if len(enough) else None


def own_jump(spells: Spells, counts: Counts, own: Floats) -> Floats:
    """What a row's own failure costs it: 1 / survivors on its day; 0 for rows without one."""
    return np.where(spells.cause > 0, own[counts.last], 0.0)


def one_event(spells: Spells) -> None:
    """Refuse rows that a curve of one event cannot use: none left, or several causes."""
    if len(spells.exit) == 0:
        raise ValueError("no row is followed past from_day")
    if spells.cause.max() > 1:
        raise ValueError("event must be 0 or 1: several causes need aalen_johansen")
