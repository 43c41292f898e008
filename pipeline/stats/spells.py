"""Follow-up as every curve reads it: one row from the day it enters to the day it leaves, in whole days.

A row is at risk on the days t with entry < t <= exit. Entering on day 0 means being under observation from the start
of that day, so that a failure on day 0 counts; entering on a later day counts from the day after.
Failures on a day come before endings of follow-up on the same day.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Values = ArrayLike | pl.Series

BEFORE_DAY_0 = -1


@dataclass(frozen=True)
class Spells:
    """Checked rows. `cause` is 0 where follow-up ended without an event, else 1, 2, ...

    `weight` is None where every row counts once. `unit` numbers what varies independently (the cluster, else the
    row) from 0 and `unit_labels` holds each number's label; None and empty unless a caller needs
    them. `carried` is a number that goes with each row, such as its group.

    Where weights or units are present the rows stand in one fixed order, so that sums do not depend on the order in
    which the rows came.
    """

    entry: Ints
    exit: Ints
    cause: Ints
    weight: Floats | None
    unit: Ints | None
    unit_labels: NDArray[Any]
    from_day: int
    carried: Ints

    @property
    def n_units(self) -> int:
        """Number of independent units."""
        return len(self.unit_labels)

    @property
    def weights(self) -> Floats:
        """The weights, as ones where there are none."""
        return np.ones(len(self.exit)) if self.weight is None else self.weight

    def take(self, rows: NDArray[Any]) -> Spells:
        """These rows, in this order."""
        return replace(
            self,
            entry=self.entry[rows],
            exit=self.exit[rows],
            cause=self.cause[rows],
            weight=None if self.weight is None else self.weight[rows],
            unit=None if self.unit is None else self.unit[rows],
            carried=self.carried[rows],
        )


def read_spells(
    exit_days: Values,
    event: Values,
    *,
    entry_days: Values | None = None,
    weights: Values | None = None,
    cluster: Values | None = None,
    from_day: int = 0,
    with_units: bool = False,
    carry: Ints | None = None,
) -> Spells:
    """Check the columns of a group and put them in the form that the estimators share.

    - `exit_days`, `entry_days`: Whole days since the origin of the clock; no entry means under observation from day 0.
    - `event`: Booleans, or 0 for none and 1, 2, ... for causes.
    - `cluster`: Label of what shares its fate, here the patient.
    - `from_day`: Drop what happened up to this day: the curve is then conditional on being at risk after it. 0 keeps
      all.
    - `with_units`: Number the independent units even where neither weights nor clusters ask for it.
    - `carry`: A whole number from 0 up that goes with each row.

    Raises ValueError on columns of unequal length, no rows, missing or broken days, negative exits, rows that end on or
    before the day they enter, weights that are not positive.
    """
    ends = whole_numbers(exit_days, "exit_days")
    if len(ends) == 0:
        raise ValueError("there are no rows")
    cause = whole_numbers(event, "event")
    start = np.full(len(ends), BEFORE_DAY_0) if entry_days is None else whole_numbers(entry_days, "entry_days")
    weight = None if weights is None else np.asarray(_plain(weights), dtype=np.float64)
    carried = np.zeros(len(ends), dtype=np.int64) if carry is None else carry
    _same_length(ends, event=cause, entry_days=start, weights=weight, cluster=cluster, carry=carried)
    start = from_day_0(start)
    _check(start, ends, cause, weight)
    unit, labels = (None, np.empty(0)) if cluster is None else numbered(cluster)
    spells = Spells(start, ends, cause, weight, unit, labels, from_day, carried)
    if from_day > 0:
        spells = spells.take(spells.exit > from_day)
        spells = _only_units_left(replace(spells, entry=np.maximum(spells.entry, from_day)))
    if weights is None and cluster is None and not with_units:
        return replace(spells, unit=None, unit_labels=np.empty(0))
    spells = spells.take(_fixed_order(spells))
    if spells.unit is None:
        each = np.arange(len(spells.exit))
        spells = replace(spells, unit=each, unit_labels=each)
    return spells


def position_in(days: Ints, grid: Ints, *, after: bool) -> Ints:
    """Index of the first grid day at (or, with `after`, past) each of `days`.

    Looked up in a table of all days where their span is short, by bisection otherwise.
    """
    span = int(grid[-1] - grid[0]) + 1 if len(grid) else 0
    side: Any = "right" if after else "left"
    if span == 0 or span > 4 * len(days) + 1_000_000:
        return np.searchsorted(grid, days, side=side).astype(np.int64)
    table = np.searchsorted(grid, np.arange(grid[0] - 1, grid[-1] + 2), side=side).astype(np.int64)
    low = int(grid[0]) - 1
    return table[np.clip(days - low, 0, span + 1)]


def distinct_days(days: Ints) -> Ints:
    """The distinct days in order, by counting where their span is short."""
    if len(days) == 0:
        return days
    low, high = int(days.min()), int(days.max())
    if high - low > 4 * len(days) + 1_000_000:
        return np.unique(days)
    seen = np.zeros(high - low + 1, dtype=np.bool_)
    seen[days - low] = True
    return np.flatnonzero(seen).astype(np.int64) + low


def numbered(labels: Any) -> tuple[Ints, NDArray[Any]]:
    """Number each row's label from 0 in the order of the labels; also the labels. ValueError if one is missing."""
    if isinstance(labels, pl.Series) and not labels.dtype.is_numeric() and labels.dtype != pl.Boolean:
        column = labels.cast(pl.String)
    else:
        array = _plain(labels)
        if np.issubdtype(array.dtype, np.integer) and len(array):
            distinct = distinct_days(array.astype(np.int64))
            return position_in(array.astype(np.int64), distinct, after=False), distinct
        column = pl.Series(array.tolist() if array.dtype == object else array, nan_to_null=True)
    if column.null_count():
        raise ValueError(f"{column.null_count()} of {len(column)} labels are missing")
    names: pl.Series = column.unique().sort()
    if column.dtype == pl.String:
        # By the place of each text among the distinct ones: to rank all of them would sort them all.
        return column.cast(pl.Enum(names)).to_physical().to_numpy().astype(np.int64), names.to_numpy()
    return column.rank("dense").to_numpy().astype(np.int64) - 1, names.to_numpy()


def from_day_0(entry: Values) -> Ints:
    """Days of entry; who is there on day 0 is at risk on that day too, and so enters before it."""
    days = _plain(entry)
    return np.where(days <= 0, BEFORE_DAY_0, days)


def whole_numbers(values: Any, name: str) -> Ints:
    """A column as whole numbers; ValueError, naming it, if it holds anything missing or broken."""
    array = _plain(values)
    if array.ndim != 1:
        raise ValueError(f"{name} must have one dimension")
    if array.dtype == np.bool_ or np.issubdtype(array.dtype, np.integer):
        return array.astype(np.int64, copy=False)
    try:
        number = array.astype(np.float64)
    except (TypeError, ValueError):
        raise ValueError(f"{name} must hold whole numbers") from None
    wrong = int(np.sum(~np.isfinite(number) | (number != np.floor(number))))
    if wrong:
        raise ValueError(f"{name} must hold whole numbers: {wrong} of {len(number)} rows do not")
    return number.astype(np.int64, copy=False)


def _plain(values: Any) -> NDArray[Any]:
    return values.to_numpy() if isinstance(values, pl.Series) else np.asarray(values)


def _same_length(first: Ints, **others: Any) -> None:
    for name, column in others.items():
        if column is not None and len(column) != len(first):
            raise ValueError(f"{name} has {len(column)} rows where exit_days has {len(first)}")


def _check(start: Ints, ends: Ints, cause: Ints, weight: Floats | None) -> None:
    problems = {
        "leave before day 0": ends < 0,
        "end on or before the day they enter": (ends <= start) & (ends >= 0),
        "have a negative event code": cause < 0,
    }
    if weight is not None:
        problems["have a weight that is missing or not above 0"] = ~(np.isfinite(weight) & (weight > 0))
    for what, wrong in problems.items():
        if wrong.any():
            raise ValueError(f"{int(wrong.sum())} of {len(ends)} rows {what}")


def _only_units_left(spells: Spells) -> Spells:
    if spells.unit is None:
        return spells
    left = distinct_days(spells.unit)
    return replace(spells, unit=position_in(spells.unit, left, after=False), unit_labels=spells.unit_labels[left])


def _fixed_order(spells: Spells) -> Ints:
    """An order of the rows that depends on what they hold only; rows that tie in it are the same in all that counts."""
    key, cause = spells.exit, spells.cause
    if spells.unit is not None:
        key = spells.unit * (int(key.max(initial=0)) + 1) + key
    rest = (spells.entry - BEFORE_DAY_0) * (int(cause.max(initial=0)) + 1) + cause
    rest = rest * (int(spells.carried.max(initial=0)) + 1) + spells.carried
    span = int(rest.max(initial=0)) + 1
    keys: tuple[NDArray[Any], ...] = (rest, key)
    if float(key.max(initial=0)) * span < 2.0**62:
        keys = (key * span + rest,)
    if spells.weight is not None:
        keys = (spells.weight, *keys)
    order: Ints = np.lexsort(keys) if len(keys) > 1 else np.argsort(keys[0], kind="stable")
    return order
