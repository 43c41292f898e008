"""Success rates of crowns and root canals, overall and by year, tooth group, clinic and clinician.

Descriptive: each line is what became of the teeth in it. Lines differ in the teeth that fell into them, so a
clinician's line is no verdict on the clinician.
"""

from collections.abc import Iterable
from typing import Any

import polars as pl

from pipeline.practice.outcomes import Outcome
from pipeline.questions.groups import CurveRules, _milestones, curve_stop, failed_patients, milestone_days
from pipeline.results import DAYS_PER_YEAR, Milestone, RateRow, RateTable
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
