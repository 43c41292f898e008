"""Rates and curves of every clinician, clinic, tooth group and stretch of years, and of all their combinations.

Made beforehand, so that a page can show one of them without asking anybody. Small groups have no figure at all: neither
may a teeth's fate be read off them, nor is there anything to learn. Descriptive: who is chosen differs in the teeth
that fell to them, and nobody is ranked.

Groups overlap: a molar of one clinician is also one of all molars and of all teeth of the clinician. Each is what
`kaplan_meier` and `curve_stop` make of its teeth; here they are lines of one table of groups by days, on which the
same running products and sums are taken. On a day on which nobody of a group leaves they stand still.
"""

import datetime as dt
import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.practice.outcomes import RATES
from pipeline.questions.analysis import Analysis
from pipeline.questions.groups import CurveRules, milestone_days
from pipeline.results.owner import Choice, Filters, Part
from pipeline.stats.limits import share_limits
from pipeline.stats.spells import Floats, Ints, numbered

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


ALL = "all"
FIELDS = ("provider_id", "site_id", "tooth_group", "years")
TOOTH_GROUPS = ("anterior", "premolar", "molar")
YEARS = tuple(float(y) for y in range(1, 11))
BAND_YEARS = 5
MOST_BANDS = 4
# More combinations than these would make a slow page; the chooser with most options is then left out.
MOST_PARTS = 600


def filters_of(teeth: Mapping[str, pl.DataFrame], *, cutoff: dt.date, asked: Analysis, fewest: int) -> Filters:
    """All combinations of choices with at least `fewest` teeth, for each rate of `RATES`.

    `teeth` as `teeth_of` makes them.
    """
    banded = {name: _with_bands(frame, cutoff) for name, frame in teeth.items() if frame.height}
    choices = [_choice(field, banded.values()) for field in FIELDS]
    choices = [c for c in choices if len(c.options) > 2 or (len(c.options) == 2 and c.field == "years")]
    left_out: list[str] = []
    while int(np.prod([len(c.options) for c in choices] or [1])) > MOST_PARTS:
        largest = max(choices, key=lambda c: len(c.options))
        choices.remove(largest)
        left_out.append(largest.field)
    rules = replace(asked.curve_rules(), years=YEARS)
    told = [o.rate for o in RATES if o.rate in banded]
    parts = [part for name in told for part in _parts(name, banded[name], choices, rules, fewest)]
    return Filters(tuple(choices), YEARS, fewest, asked.min_at_risk, tuple(parts), tuple(left_out))


def bands(cutoff: dt.date, first: int) -> list[tuple[str, int, int]]:
    """Stretches of `BAND_YEARS` years of start, the latest first, the oldest open to the past: name, first, last."""
    out: list[tuple[str, int, int]] = []
    last = cutoff.year
    while last >= first:
        begin = last - BAND_YEARS + 1
        if len(out) == MOST_BANDS - 1 or begin <= first:
            return [*out, (f"{first} to {last}" if first < last else f"{last}", first, last)]
        out.append((f"{begin} to {last}", begin, last))
        last = begin - 1
    return out


def _with_bands(teeth: pl.DataFrame, cutoff: dt.date) -> pl.DataFrame:
    first = teeth["start"].dt.year().min()
    assert isinstance(first, int)
    year, name = pl.col("start").dt.year(), pl.lit(None, pl.String)
    for label, begin, last in bands(cutoff, first):
        name = pl.when(year.is_between(begin, last)).then(pl.lit(label)).otherwise(name)
    return teeth.with_columns(years=name)


def _choice(field: str, frames: Iterable[pl.DataFrame]) -> Choice:
    found = {str(v) for frame in frames for v in frame[field].drop_nulls().unique()}
    order = [g for g in TOOTH_GROUPS if g in found] if field == "tooth_group" else sorted(found)
    if field == "years":
        order.reverse()
    return Choice(field, (ALL, *order))


def _parts(outcome: str, teeth: pl.DataFrame, choices: Sequence[Choice], rules: CurveRules, fewest: int) -> list[Part]:
    # Patients as numbers, in an order of what happened to their teeth and never of names.
    patients = numbered(teeth["patient_id"])[0]
    every = np.ones(teeth.height, dtype=np.bool_)
    options = [[every, *((teeth[c.field] == o).fill_null(False).to_numpy() for o in c.options[1:])] for c in choices]
    groups = {
        chosen: np.logical_and.reduce([every, *(of[place] for of, place in zip(options, chosen, strict=True))])
        for chosen in itertools.product(*(range(len(c.options)) for c in choices))
    }
    kept = {chosen: rows for chosen, rows in groups.items() if rows.sum() >= fewest}
    exit_days, event = teeth["exit_days"].to_numpy().astype(np.int64), teeth["event"].to_numpy()
    curves = part_curves(exit_days, event, patients, list(kept.values()), rules=rules)
    return [_part(outcome, chosen, curve, rules) for chosen, curve in zip(kept, curves, strict=True)]


def _part(outcome: str, chosen: tuple[int, ...], curve: PartCurve, rules: CurveRules) -> Part:
    none = ((1 - rules.confidence) / 2) ** (1 / np.maximum(curve.followed, 1))
    low = np.where(np.isnan(curve.low), np.where(curve.survival == 1, none, curve.survival), curve.low)
    high = np.where(np.isnan(curve.high), curve.survival, curve.high)
    # Four decimals: a tenth of a tooth in a thousand, which keeps the page small.
    shown = (tuple(round(v, 4) for v in values.tolist()) for values in (curve.survival, low, high))
    return Part(
        outcome, chosen, curve.teeth, curve.patients, curve.failures, tuple(curve.followed.tolist()), *shown
    )  # fmt: skip
