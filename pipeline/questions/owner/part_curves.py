"""Kaplan-Meier shares of many groups of the same teeth at a few days, all groups at once.

The groups of a chooser overlap: a molar of one clinician is also one of all molars and of all teeth of the clinician.
Each is what `kaplan_meier` and `curve_stop` make of its teeth; here they are lines of one table of groups by days, on
which the same running products and sums are taken. On a day on which nobody of a group leaves they stand still.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.questions.groups import CurveRules, milestone_days
from pipeline.stats.limits import share_limits

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
# Groups by days in one table; 8 MB for each of its some ten columns.
_CELLS = 1_000_000


@dataclass(frozen=True)
class PartCurve:
    """A group: counts of teeth, patients and failures, and at each year that can be shown how many are followed, the
    share kept and its limits (NaN where there are none).
    """

    teeth: int
    patients: int
    failures: int
    followed: Ints
    survival: Floats
    low: Floats
    high: Floats


def part_curves(
    exit_days: Ints, event: NDArray[np.bool_], patient: Ints, groups: Sequence[NDArray[np.bool_]], *, rules: CurveRules
) -> list[PartCurve]:
    """The curve of each group at the years of `rules`, up to where it stops.

    - `exit_days`, `event`, `patient`: One row per tooth, followed from day 0; whole days, failed, the patient's number
      from 0. Errors are by patient.
    - `groups`: Which rows are of each group; at least one each.
    """
    order = np.lexsort((event, exit_days, patient))
    exit_days, event, patient = exit_days[order], event[order], patient[order]
    grid, place = np.unique(exit_days, return_inverse=True)
    days = milestone_days(rules)
    size = max(1, _CELLS // len(grid)) if len(grid) else 1
    out: list[PartCurve] = []
    for begin in range(0, len(groups), size):
        members = [np.flatnonzero(rows[order]) for rows in groups[begin : begin + size]]
        out += _curves(_Laid(exit_days, event, patient, grid, place, members), days, rules)
    return out


@dataclass(frozen=True)
class _Laid:
    """Some groups: their teeth one group after the other, in each by patient."""

    exit_days: Ints
    event: NDArray[np.bool_]
    patient: Ints
    grid: Ints
    place: Ints
    members: list[NDArray[Any]]


def _curves(laid: _Laid, days: Ints, rules: CurveRules) -> Iterator[PartCurve]:
    sizes = np.array([len(m) for m in laid.members])
    rows, of_group = np.concatenate(laid.members), np.repeat(np.arange(len(sizes)), sizes)
    starts = np.concatenate(([0], np.cumsum(sizes)[:-1]))
    exit_days, event, patient, place = (c[rows] for c in (laid.exit_days, laid.event, laid.patient, laid.place))
    shape = (len(sizes), len(laid.grid))
    cell = of_group * shape[1] + place
    exits = np.bincount(cell, minlength=shape[0] * shape[1]).reshape(shape)
    failed = np.bincount(cell[event], minlength=shape[0] * shape[1]).reshape(shape)
    at_risk = sizes[:, None] - np.cumsum(exits, axis=1) + exits
    survival, gain, own = _running(at_risk, failed)
    reads = np.searchsorted(laid.grid, days, side="right")  # columns of the padded tables: 0 is before the first day
    padded_gain = np.concatenate((np.zeros((shape[0], 1)), gain), axis=1)
    is_first = np.concatenate(([True], (patient[1:] != patient[:-1]) | (of_group[1:] != of_group[:-1])))
    units = np.flatnonzero(is_first)  # where each patient of each group begins
    first_units = np.searchsorted(units, starts)
    jump = np.where(event, own[of_group, place], 0.0)
    followed = np.empty((shape[0], len(days)), dtype=np.int64)
    square = np.empty((shape[0], len(days)))
    for column, (day, read) in enumerate(zip(days, reads, strict=True)):
        followed[:, column] = np.add.reduceat((exit_days > day) | ((exit_days == day) & ~event), starts, dtype=np.int64)
        pull = padded_gain[of_group, np.minimum(place + 1, read)] - np.where(place < read, jump, 0.0)
        square[:, column] = np.add.reduceat(np.add.reduceat(pull, units) ** 2, first_units)
    patients = np.diff(np.concatenate((first_units, [len(units)])))
    shares = np.concatenate((np.ones((shape[0], 1)), survival), axis=1)[:, reads]
    known = (shares > 0) & (patients > 1)[:, None]
    std_error = np.where(known, shares * np.sqrt(square), np.nan)
    low, high = share_limits(shares, std_error, confidence=rules.confidence)
    stop = _stops(laid.grid, at_risk, exits, survival, rules)
    reach = ((days <= stop[:, None]) & (followed >= rules.min_at_risk)).sum(axis=1)
    reach[np.maximum.reduceat(exit_days, starts) <= 0] = 0  # nothing was followed
    failures = failed.sum(axis=1)
    for g, upto in enumerate(reach.tolist()):
        limits = (shares[g, :upto], low[g, :upto], high[g, :upto])
        yield PartCurve(int(sizes[g]), int(patients[g]), int(failures[g]), followed[g, :upto], *limits)


def _running(at_risk: Ints, failed: Ints) -> tuple[Floats, Floats, Floats]:
    """The share kept after each day, Greenwood's running sum, and 1 / survivors of the day; see `stats/counts.py`."""
    fails = failed > 0
    all_fail = fails & (failed == at_risk)
    share: Floats = np.where(fails, failed / np.where(fails, at_risk, 1), 0.0)
    use = fails & ~all_fail
    left = np.where(use, at_risk - failed, 1)
    step = np.where(use, failed / np.where(use, at_risk, 1) / left, 0.0)
    survival: Floats = np.cumprod(1.0 - share, axis=1, dtype=np.float64)
    return survival, np.cumsum(step, axis=1), np.where(use, 1.0 / left, 0.0)


def _stops(grid: Ints, at_risk: Ints, exits: Ints, survival: Floats, rules: CurveRules) -> Ints:
    """The last day up to which each curve is shown, as `curve_stop` has it; 0 where it stops at once.

    Between two days on which teeth of a group leave, as many are at risk as on the later one: so the first day of all
    that is thin comes right after the group's last day that is not.
    """
    before = np.concatenate((np.ones((len(at_risk), 1)), survival[:, :-1]), axis=1)
    thin = (at_risk < rules.min_at_risk) | (at_risk == 0) | (before / np.maximum(at_risk, 1) > rules.max_step)
    first = np.where(thin.any(axis=1), thin.argmax(axis=1), len(grid))
    last = np.where((exits > 0) & (np.arange(len(grid)) < first[:, None]), grid, 0).max(axis=1)
    stops: Ints = last.astype(np.int64)
    return stops
