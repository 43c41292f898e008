"""The half-years of groups that tests make by hand: of a curve without late entry, or of rows."""

from __future__ import annotations

import dataclasses
import math

import polars as pl

from pipeline.questions.groups import CurveRules, make_group
from pipeline.results import DAYS_PER_YEAR, GRID_MONTHS, Group, HalfYear


def with_half_years(group: Group) -> Group:
    """The group with what lies behind its curve: followed are those at risk at the next point or milestone."""
    known = [(float(p.days), p.at_risk) for p in group.curve]
    known += [(m.years * DAYS_PER_YEAR, m.followed) for m in group.milestones]
    reached = [m.years * DAYS_PER_YEAR for m in group.milestones if m.survival is not None]
    last = max([p.days for p in group.curve] + reached, default=-1)
    out = []
    for month in range(0, int(12 * last / DAYS_PER_YEAR) + 1, GRID_MONTHS) if last >= 0 else ():
        day = month * DAYS_PER_YEAR / 12
        if day >= group.starts_at_days and any(d >= day for d, _ in known):
            followed = min(known, key=lambda x: (x[0] < day, x[0]))[1]
            out.append(HalfYear(month, followed, failed_by(group, day)))
    return dataclasses.replace(group, half_years=tuple(out))


def failed_by(group: Group, day: float) -> int:
    """Failures by a day of a curve: those at risk times the relative drop."""
    before, total = 1.0, 0
    for p in group.curve:
        if p.days <= day:
            total += round(p.at_risk * (1 - p.survival / before))
            before = p.survival
    return total


def of_rows(spells: pl.DataFrame) -> tuple[HalfYear, ...]:
    """The half-years of `group_of_rows`."""
    return group_of_rows(spells).half_years


def group_of_rows(spells: pl.DataFrame, min_at_risk: int = 1, max_step: float = math.inf) -> Group:
    """The group of rows `entry_days, exit_days, event`, each of a patient of its own unless `patient_id` says."""
    rows = spells.with_columns(pl.col("exit_days").cast(pl.Float64).floor().cast(pl.Int64).clip(1))
    rows = rows.with_columns(pl.col("entry_days").cast(pl.Int64))
    if "patient_id" not in rows.columns:
        rows = rows.with_row_index("patient_id").with_columns(pl.col("patient_id").cast(pl.String))
    rules = CurveRules(min_at_risk, max_step, 0.95, (0.0,))
    late = bool((rows["entry_days"] > 0).any())
    counted = rows.with_columns(failure="event")
    return make_group(rows, name="", label="", counted=counted, rules=rules, late=late)
