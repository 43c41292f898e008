"""Who is at risk and who fails, by group, on each day with an event: what the tests between groups start from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.spells import (
    BEFORE_DAY_0,
    Floats,
    Ints,
    Spells,
    Values,
    distinct_days,
    numbered,
    position_in,
    read_spells,
)


@dataclass(frozen=True)
class Grouped:
    """Rows with their group and stratum, both numbered from 0, and the labels of the groups."""

    spells: Spells
    group: Ints
    stratum: Ints
    labels: tuple[Any, ...]


@dataclass(frozen=True)
class Cells:
    """One cell per stratum and day with an event, in that order.

    `at_risk` has cells down and groups across; `events` has one such table per cause. Both are sums of weights;
    `n_at_risk` and `n_events` count rows (any cause). `starts` is the first cell of each stratum that has any. Row i is
    at risk in cells `first[i]` up to, not including, `last[i]`, and its own event, if it has one, is in `last[i]` - 1.
    """

    at_risk: Floats
    events: Floats
    n_at_risk: Ints
    n_events: Ints
    starts: Ints
    stratum: Ints
    day: Ints
    first: Ints
    last: Ints


def read_groups(
    exit_days: Values,
    event: Values,
    group: Values,
    *,
    entry_days: Values | None = None,
    strata: Values | None = None,
    weights: Values | None = None,
    cluster: Values | None = None,
    from_day: int = 0,
) -> Grouped:
    """Check the rows and number groups and strata; ValueError with fewer than two groups, else as `read_spells`."""
    number, labels = numbered(group)
    if len(labels) < 2:
        raise ValueError("a test between groups needs at least two")
    stratum = np.zeros(len(number), dtype=np.int64) if strata is None else numbered(strata)[0]
    if len(stratum) != len(number):
        raise ValueError(f"strata has {len(stratum)} rows where group has {len(number)}")
    spells = read_spells(
        exit_days,
        event,
        entry_days=entry_days,
        weights=weights,
        cluster=cluster,
        from_day=from_day,
        carry=stratum * len(labels) + number,
    )
    if len(spells.exit) == 0:
        raise ValueError("no row is followed past from_day")
    stratum, number = np.divmod(spells.carried, len(labels))
    return Grouped(spells, number, stratum, tuple(labels.tolist()))


def cells_of(rows: Grouped, *, n_causes: int) -> Cells:
    """Count groups on each day with an event, stratum by stratum."""
    spells, groups = rows.spells, len(rows.labels)
    span = int(spells.exit.max()) - BEFORE_DAY_0 + 1
    base = rows.stratum * span - BEFORE_DAY_0
    has_event = spells.cause > 0
    key = distinct_days((base + spells.exit)[has_event])
    first = position_in(base + spells.entry, key, after=True)
    last = position_in(base + spells.exit, key, after=True)
    stratum = key // span
    cell, cause, weight = last[has_event] - 1, spells.cause[has_event], spells.weight
    size = len(key)
    own = None if weight is None else weight[has_event]
    place = ((cause - 1) * size + cell) * groups + rows.group[has_event]
    events = np.bincount(place, weights=own, minlength=n_causes * size * groups)
    return Cells(
        at_risk=_run_sums(first, last, rows.group, weight, (size, groups)),
        events=events.astype(np.float64).reshape(n_causes, size, groups),
        n_at_risk=_run_sums(first, last, None, None, (size, 1))[:, 0].astype(np.int64),
        n_events=np.bincount(cell, minlength=size).astype(np.int64),
        starts=np.flatnonzero(np.diff(stratum, prepend=-1)).astype(np.int64),
        stratum=stratum,
        day=key % span + BEFORE_DAY_0,
        first=first,
        last=last,
    )


def carry_forward(values: Floats, starts: Ints, at_start: float) -> Floats:
    """Each cell's value of the cell before it in its stratum; `at_start` in the first."""
    before = np.empty_like(values)
    before[1:] = values[:-1]
    before[starts] = at_start
    return before


def running_product(factors: Floats, starts: Ints) -> Floats:
    """Running product of `factors` down the cells, started anew in each stratum."""
    out = np.empty_like(factors)
    for begin, end in zip(starts, np.append(starts[1:], len(factors)), strict=True):
        np.cumprod(factors[begin:end], axis=0, out=out[begin:end])
    return out


def _run_sums(
    first: Ints, last: Ints, group: Ints | None, weight: Floats | None, shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Sum of weights over the rows whose run covers each cell, by group."""
    size, groups = shape
    column = 0 if group is None else group
    length = (size + 1) * groups
    into = np.bincount(first * groups + column, weights=weight, minlength=length).reshape(size + 1, groups)
    out = np.bincount(last * groups + column, weights=weight, minlength=length).reshape(size + 1, groups)
    # From the end, where few are left, so that nothing small is the difference of two large sums.
    later = np.cumsum((out - into)[::-1], axis=0)[::-1]
    return np.asarray(later[1:], dtype=np.float64)
