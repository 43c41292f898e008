"""Failures per 100 tooth-years from whole numbers that add up over parts, with limits clustered on the patient."""

from collections.abc import Iterable

import numpy as np
import polars as pl

from pipeline.stats.rates import DAYS_PER_YEAR, Rate, make_rate
from pipeline.stats.spells import Values, numbered, whole_numbers

# What one part adds to the rate of a group: failures, days under observation, patients, and sums over the patients of
# failures squared, failures times days and days squared. Whole numbers all, so sums of parts are exact.
RATE_SUMS: dict[str, pl.DataType] = {
    "group": pl.String(),
    "failures": pl.Int64(),
    "days": pl.Int64(),
    "patients": pl.Int64(),
    "failures_squared": pl.Int64(),
    "failures_days": pl.Int64(),
    "days_squared": pl.Int64(),
}


def rate_sums(
    exit_days: Values, event: Values, group: Iterable[object], *, cluster: Values, entry_days: Values | None = None
) -> pl.DataFrame:
    """What one part adds to the rates of its groups: one row each, the columns of `RATE_SUMS`."""
    exits, events = whole_numbers(exit_days, "exit_days"), whole_numbers(event, "event")
    entry = np.zeros(len(exits), dtype=np.int64) if entry_days is None else whole_numbers(entry_days, "entry_days")
    rows = pl.DataFrame(
        {
            "group": pl.Series(group).cast(pl.String),
            "unit": numbered(cluster)[0],
            "failures": (events > 0).astype(np.int64),
            "days": exits - np.maximum(entry, 0),
        }
    )
    by_unit = rows.group_by("group", "unit").agg(pl.col("failures", "days").sum())
    failures, days = pl.col("failures"), pl.col("days")
    return (
        by_unit.group_by("group")
        .agg(
            failures.sum(),
            days.sum(),
            patients=pl.len(),
            failures_squared=(failures**2).sum(),
            failures_days=(failures * days).sum(),
            days_squared=(days**2).sum(),
        )
        .select(pl.col(name).cast(dtype) for name, dtype in RATE_SUMS.items())
    )


def rate_from(sums: Iterable[pl.DataFrame], *, group: str, confidence: float = 0.95) -> Rate:
    """The rate of `failure_rate(..., cluster=)` of one group, from the `rate_sums` of all parts."""
    rows = pl.concat([pl.DataFrame(schema=RATE_SUMS), *sums]).filter(pl.col("group") == group)
    n = rows.drop("group").sum().row(0, named=True)
    failures, total = int(n["failures"]), float(n["days"] / DAYS_PER_YEAR)
    squares = None
    if failures and total and n["patients"] > 1:
        # Sum over patients of (failures - expected)^2, expected being their share of all days.
        per_day = failures / n["days"]
        squares = n["failures_squared"] - 2 * per_day * n["failures_days"] + per_day**2 * n["days_squared"]
        squares = max(squares, 0.0)
    return make_rate(failures, total, squares, n_units=int(n["patients"]), confidence=confidence)
