"""One group of a comparison, counted and drawn: curve, table under it, rate per 100 tooth-years."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.results import DAYS_PER_YEAR, GRID_MONTHS, LAST_MONTH, Group, HalfYear, Milestone
from pipeline.results.points import CurvePoint
from pipeline.stats.kaplan_meier import Curve, first_day_with, kaplan_meier
from pipeline.stats.rates import Rate, failure_rate
from pipeline.stats.risk_table import RiskTable, risk_table

EVER = np.array([np.iinfo(np.int64).max])  # a day after all that was followed


@dataclass(frozen=True)
class CurveRules:
    """When a curve starts and stops.

    It starts once `min_at_risk` are followed (at once where all enter at 0), and stops when fewer are, or when one
    more failure would move it by more than `max_step` (a share).
    """

    min_at_risk: int
    max_step: float
    confidence: float
    years: Sequence[float]


@dataclass(frozen=True)
class Tally:
    """How many teeth and patients carry a label, how many of the teeth failed, and of how many patients these are."""

    teeth: int
    patients: int
    failures: int
    failed_patients: int


def days_of(years: float) -> int:
    """Whole days of a number of years."""
    return round(years * DAYS_PER_YEAR)


def curve_start(spells: pl.DataFrame, *, rules: CurveRules) -> int | None:
    """The day from which a group has enough teeth under observation to carry a curve; None if it never has.

    0 where all enter at 0. Otherwise the first day with enough followed, moved on past every later failure at which
    too few were followed, as long as the group was still growing: a curve is not started only to be stopped at once.
    """
    if spells.is_empty() or spells["entry_days"].max() == 0:
        return 0
    need = enough_for_curve(rules)
    start = first_day_with(need, exit_days=spells["exit_days"], entry_days=spells["entry_days"])
    if start is None:
        return None
    curve = kaplan_meier(spells["exit_days"], spells["event"], entry_days=spells["entry_days"], from_day=start)
    return past_thin_days(curve, need=need)


def enough_for_curve(rules: CurveRules) -> int:
    """How many must be followed for a curve to start late."""
    return max(rules.min_at_risk, math.ceil(1 / rules.max_step))


def past_thin_days(curve: Curve, *, need: int) -> int:
    """Where a late curve starts: its first day, moved past every day with fewer at risk while the group still grows."""
    growing = np.arange(len(curve.time)) < int(np.argmax(curve.rows_at_risk))
    thin = np.flatnonzero(growing & (curve.rows_at_risk < need))
    return int(curve.time[thin[-1]]) if len(thin) else curve.from_day


def make_group(
    spells: pl.DataFrame, *, name: str, label: str, counted: pl.DataFrame, rules: CurveRules, late: bool = False
) -> Group:
    """Summarise one group.

    - `spells`: Rows of the state: `entry_days, exit_days, event, patient_id`.
    - `counted`: Crowns or courses that carry the label, with `failure`: they give the counts of teeth, patients and
      failures.
    - `late`: True where the group enters after day 0; its curve then starts as `CurveRules` says.
    """
    rate = failure_rate(
        spells["exit_days"],
        spells["event"],
        entry_days=spells["entry_days"],
        cluster=spells["patient_id"],
        confidence=rules.confidence,
    )
    start = curve_start(spells, rules=rules) if late else 0
    curve = None
    if start is not None and (spells["exit_days"] > start).any():
        curve = kaplan_meier(
            spells["exit_days"],
            spells["event"],
            entry_days=spells["entry_days"],
            cluster=spells["patient_id"],
            from_day=start,
            confidence=rules.confidence,
        )
    failed = failed_patients(counted, "failure")
    tally = Tally(counted.height, counted["patient_id"].n_unique(), int(counted["failure"].sum()), failed)
    return group_of(
        tally,
        name=name,
        label=label,
        rate=rate,
        start=start,
        curve=curve,
        table=lambda days: risk_table(spells["exit_days"], spells["event"], days, entry_days=spells["entry_days"]),
        first_failures=first_failures(spells)["day"],
        rules=rules,
    )


def curve_end(spells: pl.DataFrame, *, rules: CurveRules, late: bool = False) -> int:
    """The last day up to which the curve of a group is shown, as `make_group` has it; 0 where it has none."""
    start = curve_start(spells, rules=rules) if late else 0
    if start is None or spells.is_empty():
        return 0
    curve = kaplan_meier(spells["exit_days"], spells["event"], entry_days=spells["entry_days"], from_day=start)
    return curve_stop(curve, rules=rules)[0]


def first_failures(spells: pl.DataFrame, *within: str) -> pl.DataFrame:
    """`patient_id, day`, and the columns of `within`: the day of the first failure that each patient has in each."""
    return spells.filter("event").group_by(*within, "patient_id").agg(day=pl.col("exit_days").min())


def failed_patients(rows: pl.DataFrame, event: str) -> int:
    """Of how many patients a tooth had the event."""
    return rows["patient_id"].filter(rows[event]).n_unique()


def milestone_days(rules: CurveRules) -> NDArray[np.int64]:
    """The years read off a curve, in days."""
    return np.array([days_of(y) for y in rules.years], dtype=np.int64)


def group_of(
    tally: Tally,
    *,
    name: str,
    label: str,
    rate: Rate,
    start: int | None,
    curve: Curve | None,
    table: Callable[[NDArray[np.int64]], RiskTable],
    first_failures: pl.Series | None = None,
    rules: CurveRules,
) -> Group:
    """The group that its estimates make; `start` is the day from which its curve stands, `table` tells of any days.

    `first_failures` are the days of the first failure of each patient, where they are counted.
    """
    stop, why = curve_stop(curve, rules=rules) if curve else (0, "too few are followed for a curve")
    clustered = not np.isnan(rate.clustered_low)
    return Group(
        name=name,
        label=label,
        crowns=tally.teeth,
        patients=tally.patients,
        failures=tally.failures,
        tooth_years=rate.tooth_years,
        rate_per_100_tooth_years=rate.per_100 if rate.tooth_years else 0.0,
        rate_ci_low=rate.clustered_low if clustered else rate.low if rate.tooth_years else 0.0,
        rate_ci_high=rate.clustered_high if clustered else rate.high if rate.tooth_years else 0.0,
        curve=_points(curve, stop) if curve else (),
        milestones=_milestones(table(milestone_days(rules)), curve, stop, rules),
        starts_at_days=start or 0,
        stops_at_days=stop,
        stop_reason=why,
        failed_patients=tally.failed_patients,
        half_years=_half_years(table, first_failures),
        followed=int(table(EVER).entered[0]),
        followed_patients=rate.n_units,
    )


def curve_stop(curve: Curve, *, rules: CurveRules) -> tuple[int, str]:
    """The last day up to which a curve is shown, and why it stops there."""
    before = np.concatenate(([1.0], curve.survival[:-1]))
    few = curve.rows_at_risk < rules.min_at_risk
    with np.errstate(divide="ignore", invalid="ignore"):
        jumpy = before / curve.rows_at_risk > rules.max_step
    thin = np.flatnonzero(few | jumpy)
    if len(thin) == 0:
        return int(curve.time[-1]), "the end of follow-up"
    first = int(thin[0])
    day = int(curve.time[first - 1]) if first else curve.from_day
    if few[first]:
        return day, f"fewer than {rules.min_at_risk} are followed after that"
    return day, f"one more failure would move it by more than {rules.max_step * 100:g} of 100"


def _points(curve: Curve, stop: int) -> tuple[CurvePoint, ...]:
    shown = (curve.time <= stop) & (curve.events > 0)
    last = np.flatnonzero(curve.time <= stop)
    if len(last):
        shown[last[-1]] = True  # the curve is drawn to where it stops
    survival = curve.survival[shown]
    low, high = (np.where(np.isnan(limit[shown]), survival, limit[shown]) for limit in (curve.low, curve.high))
    columns = [c.tolist() for c in (curve.time[shown], curve.rows_at_risk[shown], survival, low, high)]
    start = CurvePoint(curve.from_day, int(curve.rows_at_risk[0]), 1.0, 1.0, 1.0)
    return (start, *(CurvePoint(*point) for point in zip(*columns, strict=True)))


def _half_years(
    table: Callable[[NDArray[np.int64]], RiskTable], first_failures: pl.Series | None
) -> tuple[HalfYear, ...]:
    """The half-years from the clock's start up to the last that anybody is followed beyond."""
    months = np.arange(0, LAST_MONTH + 1, GRID_MONTHS)
    passed = np.floor(months * DAYS_PER_YEAR / 12).astype(np.int64)
    at = table(passed + 1)
    people: Sequence[int | None] = [None] * len(months)
    if first_failures is not None:
        people = np.searchsorted(np.sort(first_failures.to_numpy()), passed, side="right").tolist()
    found = [
        HalfYear(*counts)
        for counts in zip(months.tolist(), at.followed.tolist(), at.failed.tolist(), people, strict=True)
    ]
    return tuple(found[: max((i + 1 for i, h in enumerate(found) if h.followed), default=0)])


def _milestones(table: RiskTable, curve: Curve | None, stop: int, rules: CurveRules) -> tuple[Milestone, ...]:
    years, days = rules.years, table.days
    at = curve.at(days) if curve else None
    out = []
    for i, year in enumerate(years):
        shown = at is not None and days[i] <= stop and not np.isnan(at.survival[i])
        survival = float(at.survival[i]) if shown and at is not None else None
        low, high = (float(at.low[i]), float(at.high[i])) if shown and at is not None else (None, None)
        if survival is not None and low is not None and np.isnan(low):
            low, high = _limits_without_failures(survival, int(table.followed[i]), rules)
        out.append(
            Milestone(
                years=year,
                entered=int(table.entered[i]),
                followed=int(table.followed[i]),
                failed=int(table.failed[i]),
                ended=int(table.ended[i]),
                survival=survival,
                ci_low=low,
                ci_high=high,
            )
        )
    return tuple(out)


def _limits_without_failures(survival: float, followed: int, rules: CurveRules) -> tuple[float | None, float | None]:
    # While none has failed the curve has no error of its own. The exact limit of 0 failures among those still followed
    # (Clopper and Pearson 1934) is wider than the truth and never claims certainty.
    if survival < 1 or followed == 0:
        return None, None
    return ((1 - rules.confidence) / 2) ** (1 / followed), 1.0
