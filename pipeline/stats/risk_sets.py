"""Curves from tables of counts that add up: who enters, who leaves and why, on each day.

Follow-up in whole days loses nothing when rows are counted by day. Such a table of one part of the patients and that of
another are merged by adding, in any order, and what is estimated from the sum is what one machine estimates from all
rows. Errors that allow for teeth of one patient being alike need a second look at the rows: `risk_set_errors`.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from pipeline.stats.counts import Counts, event_free, per_survivor
from pipeline.stats.kaplan_meier import Curve, curve_of, one_event
from pipeline.stats.risk_table import RiskTable
from pipeline.stats.spells import BEFORE_DAY_0, Floats, Ints, Values, read_spells

# One row per group, day and change: -1 enters (at risk from the day after), 0 leaves without an event, 1 leaves with
# the event. Rows that enter before day 0 ends have day -1.
RISK_SETS: dict[str, pl.DataType] = {
    "group": pl.String(),
    "day": pl.Int64(),
    "change": pl.Int64(),
    "rows": pl.Int64(),
}
_KEY = ["group", "day", "change"]
_ENTERS = -1
_NO_ROWS: Ints = np.empty(0, dtype=np.int64)


def count_changes(
    exit_days: Values, event: Values, *, entry_days: Values | None = None, group: Values | None = None
) -> pl.DataFrame:
    """Count who enters and leaves on each day, by group: the columns of `RISK_SETS`.

    `event` is 0 or False where follow-up ended first, else 1. `group` is a label, kept as text; without it all rows
    carry an empty one. No rows give an empty table. Raises ValueError as `read_spells` does, and for several causes.
    """
    n = len(np.asarray(exit_days))
    if n == 0:
        return pl.DataFrame(schema=RISK_SETS)
    labels = _texts(group, n)
    distinct = pl.DataFrame({"group": labels.unique().sort()}).with_row_index("code")
    code = labels.to_frame("group").join(distinct, on="group", how="left", maintain_order="left")["code"]
    spells = read_spells(exit_days, event, entry_days=entry_days, carry=code.to_numpy().astype(np.int64))
    one_event(spells)
    enter = pl.DataFrame({"code": spells.carried, "day": spells.entry, "change": np.full(len(spells.entry), _ENTERS)})
    leave = pl.DataFrame({"code": spells.carried, "day": spells.exit, "change": spells.cause})
    counted = pl.concat([enter, leave]).group_by("code", "day", "change").agg(rows=pl.len())
    return _shape(counted.join(distinct.with_columns(pl.col("code").cast(pl.Int64)), on="code"))


def merge(tables: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """Add tables of counts up: one row per group, day and change, in that order."""
    summed = pl.concat([pl.DataFrame(schema=RISK_SETS), *tables]).group_by(_KEY).agg(pl.col("rows").sum())
    return _shape(summed)


@dataclass(frozen=True)
class Squares:
    """What one part adds: sums of squared influence, and over how many patients; see `risk_set_errors`."""

    values: tuple[Floats, ...]
    n_units: int


def curve_from(
    table: pl.DataFrame,
    squares: Squares | None = None,
    *,
    group: str | None = None,
    from_day: int = 0,
    confidence: float = 0.95,
) -> Curve:
    """The curve of `kaplan_meier` on the rows themselves: with Greenwood's variance, or by all parts' `squares`.

    `group` picks one group. Raises ValueError if no row is followed past `from_day`.
    """
    changes = of_group(table, group, from_day=from_day)
    counts = counts_of(changes)
    survival = event_free(counts)
    variance = np.cumsum(per_survivor(counts)[0]) if squares is None else squares.values[0]
    known = (survival > 0) & (squares is None or squares.n_units > 1)
    entered = changes.filter(pl.col("change") == _ENTERS).group_by("day").agg(pl.col("rows").sum()).sort("day")
    leaves: Ints = (counts.censored + counts.all_events).astype(np.int64)
    return curve_of(
        counts,
        np.where(known, survival * np.sqrt(variance), np.nan),
        n_units=0 if squares is None else squares.n_units,
        entry_days=entered["day"].to_numpy(),
        entry_rows=entered["rows"].to_numpy(),
        exit_rows=leaves,
        from_day=from_day,
        confidence=confidence,
    )


def first_day_from(table: pl.DataFrame, at_least: int, *, group: str | None = None) -> int | None:
    """The first day at whose end at least so many rows are under observation; None if never: `first_day_with`."""
    changes = of_group(table, group)
    signed = pl.when(pl.col("change") == _ENTERS).then("rows").otherwise(-pl.col("rows"))
    by_day = (
        changes.with_columns(day=pl.col("day").clip(lower_bound=0), moved=signed)
        .group_by("day")
        .agg(pl.col("moved").sum())
        .sort("day")
        .filter(pl.col("moved").cum_sum() >= at_least)
    )
    return int(by_day["day"][0]) if by_day.height else None


def risk_table_from(table: pl.DataFrame, days: ArrayLike, *, group: str | None = None) -> RiskTable:
    """The table under a curve at whole days: that of `risk_table` on the rows themselves."""
    changes = of_group(table, group)
    day = np.atleast_1d(np.asarray(days)).astype(np.int64)

    def before(kind: pl.Expr) -> Ints:
        rows = changes.filter(kind)
        total = np.concatenate(([0], np.cumsum(rows["rows"].to_numpy())))
        return np.asarray(total[np.searchsorted(rows["day"].to_numpy(), day, side="left")], dtype=np.int64)

    entered = before(pl.col("change") == _ENTERS)
    failed, ended = before(pl.col("change") > 0), before(pl.col("change") == 0)
    return RiskTable(days=day, entered=entered, followed=entered - failed - ended, failed=failed, ended=ended)


def of_group(table: pl.DataFrame, group: str | None, *, from_day: int = 0) -> pl.DataFrame:
    """The changes of one group, or of all; those up to `from_day` summed up as entries on it.

    Who entered and left by then cancels, so the rest are those followed past it.
    """
    rows = table if group is None else table.filter(pl.col("group") == group)
    rows = rows.group_by("day", "change").agg(pl.col("rows").sum()).sort("day", "change")
    if from_day <= 0:
        return rows
    by_then = rows.filter(pl.col("day") <= from_day)
    signed = pl.when(pl.col("change") == _ENTERS).then("rows").otherwise(-pl.col("rows"))
    left = int(by_then.select(signed.sum()).item() or 0)
    start = pl.DataFrame({"day": [from_day], "change": [_ENTERS], "rows": [left]}, schema=rows.schema)
    return pl.concat([start.filter(pl.col("rows") > 0), rows.filter(pl.col("day") > from_day)])


def counts_of(changes: pl.DataFrame) -> Counts:
    """Counts per distinct exit day from changes (`day, change, rows`); its `first` and `last`, per row, are empty."""
    entered, left = changes.filter(pl.col("change") == _ENTERS), changes.filter(pl.col("change") != _ENTERS)
    if left.is_empty():
        raise ValueError("no row is followed past from_day")
    cause = left["change"].to_numpy()
    time: Ints = np.unique(left["day"].to_numpy())
    size = len(time)
    by_cause = np.zeros((2, size), dtype=np.int64)
    np.add.at(by_cause, (cause, np.searchsorted(time, left["day"].to_numpy())), left["rows"].to_numpy())
    entries = _sums(np.searchsorted(time, entered["day"].to_numpy(), side="right"), entered["rows"].to_numpy(), size)
    exits = by_cause.sum(axis=0)
    rows_at_risk: Ints = np.cumsum(entries) - np.cumsum(exits) + exits
    failed = by_cause[1]
    return Counts(
        time=time,
        rows_at_risk=rows_at_risk,
        at_risk=rows_at_risk.astype(np.float64),
        events=by_cause[1:].astype(np.float64),
        censored=by_cause[0].astype(np.float64),
        entered=entries.astype(np.float64),
        all_fail=failed == rows_at_risk,
        first=_NO_ROWS,
        last=_NO_ROWS,
    )


def _texts(labels: Values | None, n: int) -> pl.Series:
    if labels is None:
        return pl.Series([""], dtype=pl.String).new_from_index(0, n)
    column = labels if isinstance(labels, pl.Series) else pl.Series(np.asarray(labels))
    if len(column) != n:
        raise ValueError(f"a column of labels has {len(column)} rows where exit_days has {n}")
    if column.null_count():
        raise ValueError(f"{column.null_count()} of {n} labels are missing")
    return column.cast(pl.String)


def _shape(table: pl.DataFrame) -> pl.DataFrame:
    return table.select(pl.col(name).cast(dtype) for name, dtype in RISK_SETS.items()).sort(_KEY)


def _sums(place: Ints, rows: Ints, size: int) -> Ints:
    out = np.zeros(size + 1, dtype=np.int64)
    np.add.at(out, place, rows)
    return out[:size]


assert BEFORE_DAY_0 == _ENTERS == -1
