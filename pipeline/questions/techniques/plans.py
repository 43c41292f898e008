"""What would settle each open technique question, among all the looks that it must stand among."""

import datetime as dt
import math
from collections.abc import Mapping

import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.planning import NO_PACE, PACE_DAYS, Goal, Pace, paces, plan_healing, plan_nothing, plan_pair
from pipeline.questions.techniques.question import HEALED
from pipeline.questions.verdict import DIFFERS, LITTLE_DIFFERENCE
from pipeline.results import DAYS_PER_YEAR, Estimate
from pipeline.results.planning import Plan
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast, TechniqueGroup
from pipeline.stats.limits import z_value


def paces_of(rows: pl.DataFrame, states: Mapping[str, str], outcome: str) -> dict[str, Pace]:
    """Pace of each group, up to the last day on which any tooth was followed. Of healing, recalls arrive, not teeth."""
    until = rows["exit_date"].max()
    assert isinstance(until, dt.date)
    counted = paces(rows, unit="row_id", until=until)
    found = {state: counted.get(state, NO_PACE) for state in states}
    if outcome != HEALED:
        return found
    judged = pl.col("start") + pl.duration(days=(pl.col("recall_years") * DAYS_PER_YEAR).round())
    recent = rows.filter(judged > until - dt.timedelta(days=PACE_DAYS))
    judged_of = dict(recent.group_by("state").len().iter_rows())
    years = PACE_DAYS / DAYS_PER_YEAR
    return {s: Pace(p.cases, p.failures, 0.0, p.followed, judged_of.get(s, 0) / years, 0.0) for s, p in found.items()}


def plan_contrast(
    answer: TechniqueAnswer,
    contrast: TechniqueContrast,
    ratio: Estimate | None,
    paces: Mapping[str, Pace],
    analysis: Analysis,
    *,
    smallest_per_100: float,
    looks: int,
    why: str = "",
) -> Plan:
    """The plan of one contrast.

    `looks` are the comparisons of the family; limits are so wide that the difference may be claimed among all of them
    (Bonferroni). `why` says that nothing can be planned, and the reason.
    """
    groups = {g.name: g for g in answer.groups}
    pair = (contrast.group, contrast.reference)
    title = answer.title if contrast.reference == answer.reference else f"{answer.title} (another reference)"
    goal = Goal(
        id=f"{answer.id}:{contrast.group}:{contrast.reference}",
        title=title,
        labels={name: groups[name].label for name in pair},
        settled=contrast.verdict in (DIFFERS, LITTLE_DIFFERENCE),
        smallest_per_100=smallest_per_100,
        horizon_years=answer.horizon_years,
        survival=_survival(groups[contrast.reference], answer.horizon_years),
        error=0.0 if ratio is None else math.log(ratio.ci_high / ratio.ci_low) / (2 * z_value(analysis.confidence)),
        confidence=1 - (1 - analysis.confidence) / max(looks, 1),
        looks=looks,
    )
    sides = {name: paces[name] for name in pair}
    if why:
        return plan_nothing(goal, sides, why)
    if answer.outcome != HEALED:
        return plan_pair(goal, sides)
    low, high = contrast.difference_ci_low, contrast.difference_ci_high
    error = None if low is None or high is None else (high - low) / (2 * z_value(analysis.confidence))
    return plan_healing(goal, sides, error)


def _survival(reference: TechniqueGroup, horizon_years: float) -> float | None:
    rate = reference.adjusted_rate_per_100_tooth_years or reference.rate_per_100_tooth_years
    return math.exp(-rate / 100 * horizon_years) if rate else None
