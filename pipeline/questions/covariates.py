"""Covariates for adjustment: what is recorded, what is missing and what is too rare to stand alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

UNKNOWN = "unknown"
# A level that holds fewer failures than this cannot carry a coefficient of its own.
MIN_FAILURES_A_LEVEL = 5


@dataclass(frozen=True)
class Numeric:
    """A covariate that enters as a straight line per `unit`; missing values stand at the mean, with a mark."""

    name: str
    label: str
    unit: float


@dataclass(frozen=True)
class Levels:
    """A covariate with levels; the commonest is the reference."""

    name: str
    label: str


Covariate = Numeric | Levels


@dataclass(frozen=True)
class Design:
    """Columns of a model: `x` has one row per row of the frame and one column per name.

    `used` are the labels of covariates that entered, `left_out` those that did not, with the reason; `missing` says
    for each covariate with gaps how many rows had none.
    """

    x: NDArray[np.float64]
    names: tuple[str, ...]
    used: tuple[str, ...]
    left_out: tuple[str, ...]
    missing: tuple[str, ...]


def design(spells: pl.DataFrame, covariates: Sequence[Covariate], *, event: str = "event") -> Design:
    """Turn covariates into columns, with rules that need no hand.

    - A missing value is never a reason to drop a row: it becomes the level `unknown` (numeric: the mean and a mark).
    - Levels with fewer than `MIN_FAILURES_A_LEVEL` failures are pooled; if the pool is still that small it joins the
      reference, which is the level with most rows (the first by name where two tie).
    - A covariate that is the same in all rows, or never recorded, is left out and named.
    """
    columns: list[NDArray[np.float64]] = []
    names: list[str] = []
    used: list[str] = []
    left_out: list[str] = []
    missing: list[str] = []
    failed = spells[event].cast(pl.Int64)
    for covariate in covariates:
        gaps = spells[covariate.name].null_count()
        if gaps == spells.height:
            left_out.append(f"{covariate.label} (not recorded)")
            continue
        if isinstance(covariate, Numeric):
            made = _numeric(spells[covariate.name], covariate, failed)
        else:
            made = _levels(spells[covariate.name], covariate, failed)
        if not made:
            left_out.append(f"{covariate.label} (the same in all, or too rare)")
            continue
        used.append(covariate.label)
        if gaps:
            missing.append(f"{covariate.label}: {gaps} of {spells.height} rows without a value")
        names.extend(name for name, _ in made)
        columns.extend(values for _, values in made)
    x = np.column_stack(columns) if columns else np.empty((spells.height, 0))
    return Design(x, tuple(names), tuple(used), tuple(left_out), tuple(missing))


def strata(
    spells: pl.DataFrame, column: str, *, min_failures: int, event: str = "event"
) -> tuple[NDArray[np.int64], int]:
    """Stratum codes by one column, and how many strata; levels with fewer failures than asked share one stratum."""
    level = spells[column].fill_null(UNKNOWN)
    counted = pl.DataFrame({"level": level, "event": spells[event].cast(pl.Int64)})
    enough = counted.group_by("level").agg(pl.col("event").sum()).filter(pl.col("event") >= min_failures)
    kept = sorted(enough["level"].to_list())
    code = {name: i for i, name in enumerate(kept)}
    codes = level.replace_strict(code, default=len(kept), return_dtype=pl.Int64)
    return codes.to_numpy(), codes.n_unique()


def _numeric(values: pl.Series, covariate: Numeric, failed: pl.Series) -> list[tuple[str, NDArray[np.float64]]]:
    number = values.cast(pl.Float64)
    middle = number.mean()
    if number.n_unique() - bool(number.null_count()) < 2 or not isinstance(middle, float):
        return []
    line = ((number.fill_null(middle) - middle) / covariate.unit).to_numpy()
    out = [(covariate.name, line)]
    gap = number.is_null()
    if failed.filter(gap).sum() >= MIN_FAILURES_A_LEVEL:
        out.append((f"{covariate.name}_{UNKNOWN}", gap.cast(pl.Float64).to_numpy()))
    return out


def _levels(values: pl.Series, covariate: Levels, failed: pl.Series) -> list[tuple[str, NDArray[np.float64]]]:
    level = values.cast(pl.String).fill_null(UNKNOWN)
    counted = (
        pl.DataFrame({"level": level, "failed": failed})
        .group_by("level")
        .agg(rows=pl.len(), failures=pl.col("failed").sum())
        .sort(["rows", "level"], descending=[True, False])
    )
    reference = counted["level"][0]
    rest = counted.filter(pl.col("level") != reference)
    own = rest.filter(pl.col("failures") >= MIN_FAILURES_A_LEVEL)
    pooled = rest.filter(pl.col("failures") < MIN_FAILURES_A_LEVEL)
    groups = [(name, [name]) for name in own["level"].sort().to_list()]
    if pooled["failures"].sum() >= MIN_FAILURES_A_LEVEL:
        groups.append(("rare", pooled["level"].to_list()))
    return [(f"{covariate.name}_{name}", level.is_in(members).cast(pl.Float64).to_numpy()) for name, members in groups]
