"""Errors that allow for teeth of one patient being alike, from parts: what each part adds, once all counts are merged.

A patient's influence on a curve needs the whole curve, which the merged counts give, and the patient's own rows, which
lie in one part. So each part is looked at a second time, and gives the sum over its patients of their squared
influence; those sums add up [Therneau 2000, sections 7.2 and 8.2].
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from pipeline.stats.counts import Counts, event_free, exposure, per_survivor
from pipeline.stats.differences import Differences, make_differences
from pipeline.stats.influence import curve_variance
from pipeline.stats.kaplan_meier import own_jump, pulls_on
from pipeline.stats.risk_sets import Squares, counts_of, of_group
from pipeline.stats.spells import Floats, Ints, Spells, Values, numbered, position_in, read_spells, whole_numbers


def add_squares(parts: Sequence[Squares]) -> Squares:
    """Add up what parts of the patients give; no patient may be in two of them."""
    values = tuple(np.sum(np.stack(arrays), axis=0) for arrays in zip(*(p.values for p in parts), strict=True))
    return Squares(values, sum(p.n_units for p in parts))


def curve_squares(
    table: pl.DataFrame,
    exit_days: Values,
    event: Values,
    *,
    cluster: Values,
    entry_days: Values | None = None,
    group: str | None = None,
    from_day: int = 0,
) -> Squares:
    """What one part's rows of `group` add to the clustered variance of the curve that the merged `table` makes."""
    counts = counts_of(of_group(table, group, from_day=from_day))
    spells = _spells(exit_days, event, cluster=cluster, entry_days=entry_days, from_day=from_day)
    if spells is None:
        return Squares((np.zeros(len(counts.time)),), 0)
    placed = _place(spells, counts)
    step, own = per_survivor(counts)
    squares = curve_variance(exposure(spells, placed), np.cumsum(step), own_jump(spells, placed, own))
    return Squares((squares,), spells.n_units)


def difference_squares(
    table: pl.DataFrame,
    days: ArrayLike,
    exit_days: Values,
    event: Values,
    group: Iterable[object],
    *,
    pair: tuple[str, str],
    cluster: Values,
    entry_days: Values | None = None,
    from_day: int = 0,
) -> Squares:
    """What one part's rows add to the variance of the difference between the curves of two groups at chosen days.

    Also to the covariance of the two. `group` labels the rows; those of neither group of `pair` are left out.
    """
    label = pl.Series(group).cast(pl.String).to_numpy()
    unit, _ = numbered(cluster)
    entry = np.zeros(len(unit), dtype=np.int64) if entry_days is None else whole_numbers(entry_days, "entry_days")
    exits, events = whole_numbers(exit_days, "exit_days"), whole_numbers(event, "event")
    n_units = int(unit.max(initial=-1)) + 1
    pulls = []
    for name in pair:
        mine = label == name
        pulls.append(
            _pulls(
                of_group(table, name, from_day=from_day),
                _spells(exits[mine], events[mine], cluster=unit[mine], entry_days=entry[mine], from_day=from_day),
                np.atleast_1d(np.asarray(days)).astype(np.int64),
                n_units,
            )
        )
    one, other = pulls
    return Squares((np.sum((one - other) ** 2, axis=0), np.sum(one * other, axis=0)), n_units)


def survival_difference_from(
    table: pl.DataFrame,
    squares: Squares,
    days: ArrayLike,
    *,
    pair: tuple[str, str],
    from_day: int = 0,
    confidence: float = 0.95,
) -> Differences:
    """The first of `pair` minus the second: `survival_difference` from merged counts and `difference_squares`."""
    day = np.atleast_1d(np.asarray(days)).astype(np.int64)
    known = day >= from_day
    survival = []
    for name in pair:
        counts = counts_of(of_group(table, name, from_day=from_day))
        index = np.searchsorted(counts.time, day, side="right")
        survival.append(np.concatenate(([1.0], event_free(counts)))[index])
        known &= (day <= counts.time[-1]) & (survival[-1] > 0)
    estimate = np.where(known, survival[0] - survival[1], np.nan)
    return make_differences(day, estimate, squares.values[0], squares.values[1], confidence)


def _pulls(changes: pl.DataFrame, spells: Spells | None, days: Ints, n_units: int) -> Floats:
    """How far each patient of a part (down) pulls the curve of all parts at each day (across)."""
    out = np.zeros((n_units, len(days)))
    if spells is None:
        return out
    out[spells.unit_labels.astype(np.intp)] = pulls_on(spells, _place(spells, counts_of(changes)), days)[1]
    return out


def _spells(
    exit_days: Values, event: Values, *, cluster: Values, entry_days: Values | None, from_day: int
) -> Spells | None:
    if len(np.asarray(exit_days)) == 0:
        return None
    spells = read_spells(exit_days, event, entry_days=entry_days, cluster=cluster, from_day=from_day)
    return spells if len(spells.exit) else None


def _place(spells: Spells, counts: Counts) -> Counts:
    """The counts of all with the places of these rows."""
    return replace(
        counts,
        first=position_in(spells.entry, counts.time, after=True),
        last=position_in(spells.exit, counts.time, after=False),
    )
