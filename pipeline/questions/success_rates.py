"""Success rates of crowns and root canals by year, tooth group, clinic and clinician, and each clinician's own curve.

Descriptive: each line or curve is what became of the teeth in it. They differ in teeth and patients, so that none is a
verdict on a clinician.
"""

import bisect
import itertools
from collections.abc import Iterable
from typing import Any

import polars as pl

from pipeline.practice.outcomes import Outcome
from pipeline.questions.groups import (
    CurveRules,
    _milestones,
    curve_stop,
    days_of,
    failed_patients,
    make_group,
    milestone_days,
)
from pipeline.results import DAYS_PER_YEAR, Group, Milestone, RateRow, RateTable
from pipeline.results.points import CaseCurve, CurvePoint
from pipeline.stats.kaplan_meier import Curve, kaplan_meier
from pipeline.stats.risk_table import RiskTable, risk_table

NOT_RECORDED = "not recorded"
# What a group is made of; see `make_group`.
READ = ("entry_days", "exit_days", "event", "failure", "patient_id")
BY = {
    "overall": "overall",
    "year": "by year",
    "tooth_group": "by tooth group",
    "provider_id": "by clinician",
    "site_id": "by clinic",
}


def rate_tables(
    spells: pl.DataFrame, outcome: Outcome, *, horizon: float, rules: CurveRules, by: Iterable[str] = BY
) -> tuple[RateTable, ...]:
    """One table per characteristic in `by`; lines stand in order of their name, never of their result.

    `spells` are those of the outcome, from all teeth or some of them.
    """
    by = tuple(by)
    if "year" in by:
        spells = spells.with_columns(year=pl.col(outcome.population.start).dt.year().cast(pl.String))
    spells = spells.select(c for c in spells.columns if c in {*READ, *by})  # other columns would be copied into parts
    tables = []
    for name in by:
        if name != "overall" and spells[name].null_count() == spells.height:
            continue
        rows = tuple(_row(label, part, horizon, rules) for label, part in _parts(spells, name))
        tables.append(
            RateTable(f"{outcome.rate}_{_suffix(name)}", f"{outcome.rate_title} {BY[name]}", outcome.rate, name, rows)
        )
    return tuple(tables)


def _suffix(name: str) -> str:
    return name if name == "overall" else f"by_{name.removesuffix('_id')}"


def _parts(spells: pl.DataFrame, name: str) -> list[tuple[str, pl.DataFrame]]:
    if name == "overall":
        return [("all", spells)] if spells.height else []
    labelled = spells.with_columns(line=pl.col(name).fill_null(NOT_RECORDED))
    parts = {str(key[0]): part for key, part in labelled.partition_by("line", as_dict=True).items()}
    order = ["anterior", "premolar", "molar"] if name == "tooth_group" else sorted(parts)
    return [(label, parts[label]) for label in order if label in parts]


def _row(label: str, part: pl.DataFrame, horizon: float, rules: CurveRules) -> RateRow:
    own = CurveRules(rules.min_at_risk, 1.0, rules.confidence, (horizon,))
    columns: dict[str, Any] = {"entry_days": part["entry_days"], "exit_days": part["exit_days"], "event": part["event"]}
    curve = None
    if part.filter(pl.col("exit_days") > 0).height:
        curve = kaplan_meier(**columns, cluster=part["patient_id"], confidence=rules.confidence)
    at = milestones_of(risk_table(**columns, days=milestone_days(own)), curve, own)[0]
    days = int((part["exit_days"] - part["entry_days"].clip(0)).sum())
    return RateRow(
        name=label,
        teeth=part.height,
        patients=part["patient_id"].n_unique(),
        failures=int(part["failure"].sum()),
        tooth_years=days / DAYS_PER_YEAR,
        years=horizon,
        followed=at.followed,
        survival=at.survival,
        ci_low=at.ci_low,
        ci_high=at.ci_high,
        failed_patients=failed_patients(part, "failure"),
    )


def milestones_of(table: RiskTable, curve: Curve | None, rules: CurveRules) -> tuple[Milestone, ...]:
    """What stands at the milestones of a curve from day 0."""
    stop = curve_stop(curve, rules=rules)[0] if curve else 0
    return _milestones(table, curve, stop, rules)


QUARTER_YEARS = 0.25


def own_cases(spells: pl.DataFrame, *, outcome: str, horizon: float, rules: CurveRules) -> tuple[CaseCurve, ...]:
    """The whole practice first, then each recorded clinician in order of name; nothing where none is recorded.

    `spells` as `Outcome.spells` makes them, all entering at 0; the share is given at `horizon` years.
    """
    spells = spells.select(*READ, "provider_id")
    recorded = spells.filter(pl.col("provider_id").is_not_null())
    if recorded.is_empty():
        return ()
    parts = {str(key[0]): part for key, part in recorded.partition_by("provider_id", as_dict=True).items()}
    named = [("", spells), *((name, parts[name]) for name in sorted(parts) if name != NOT_RECORDED)]
    own = CurveRules(rules.min_at_risk, rules.max_step, rules.confidence, (horizon,))
    return tuple(_case(name, part, outcome, horizon, own) for name, part in named)


def _case(name: str, part: pl.DataFrame, outcome: str, horizon: float, rules: CurveRules) -> CaseCurve:
    group = make_group(part, name=name, label=name, counted=part, rules=rules)
    at = next(m for m in group.milestones if days_of(m.years) == days_of(horizon))
    return CaseCurve(
        outcome=outcome,
        provider=name,
        teeth=group.crowns,
        patients=group.patients,
        failures=group.failures,
        years=horizon,
        followed=at.followed,
        survival=at.survival,
        ci_low=at.ci_low,
        ci_high=at.ci_high,
        points=quarterly(group),
    )


def quarterly(group: Group) -> tuple[CurvePoint, ...]:
    """The curve of a group at the end of each quarter of a year, up to where it stops.

    `at_risk` is then the number followed at the last day before at which anything happened.
    """
    days = [p.days for p in group.curve]
    points: list[CurvePoint] = []
    for quarter in itertools.count(1):
        day = days_of(QUARTER_YEARS * quarter)
        place = bisect.bisect_right(days, day) - 1
        if day > (group.stops_at_days or 0):
            return tuple(points)
        if place < 0:
            points.append(CurvePoint(day, group.crowns, 1.0, 1.0, 1.0))
        else:
            p = group.curve[place]
            points.append(CurvePoint(day, p.at_risk, p.survival, p.ci_low, p.ci_high))
    raise AssertionError("a count without end ended")
