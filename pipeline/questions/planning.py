"""What would settle an open question: more cases, months at the present pace, or practices of this size together.

The goal is to find the smallest difference that matters at the horizon four times in five. Under proportional hazards
that difference is a hazard ratio, and the ratio asks for so much information, which failures bring (Schoenfeld 1983).
Two things cost more than the formula says: teeth share patients, and groups differ in what the model adjusts for. So
the information is divided by the design effect, the square of the error achieved over the one that the formula gives.

The forecast holds entries, failures and losses at the pace of the last 24 months, groups at their present shares.
"""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl
from scipy.special import ndtri

from pipeline.practice.counts import count
from pipeline.practice.counts import years as in_years
from pipeline.questions.analysis import Analysis
from pipeline.questions.groups import days_of
from pipeline.questions.verdict import DIFFERS, FORECAST_YEARS, LITTLE_DIFFERENCE, POWER
from pipeline.results import DAYS_PER_YEAR, Comparison, Estimate, Looked
from pipeline.results.planning import Plan, PlanGroup
from pipeline.stats.events_needed import expected_failures, information_needed, ratio_of_shares
from pipeline.stats.few_failures import Allowance, degrees_of_freedom
from pipeline.stats.limits import z_value

PACE_DAYS = 730


@dataclass(frozen=True)
class Pace:
    """One side: teeth and failures so far, and what comes and goes. Rates are per tooth-year, arrivals per year."""

    cases: int
    failures: int
    tooth_years: float
    followed: int
    arrivals: float
    leaving: float


NO_PACE = Pace(0, 0, 0.0, 0, 0.0, 0.0)


@dataclass(frozen=True)
class Goal:
    """What is to be found: `smallest_per_100` at the horizon, by limits of `confidence`.

    `survival` is the share of the reference (the second group) without failure by then, None where it is not known;
    `error` the standard error of the log hazard ratio now, 0 where there is none. `looks` counts the comparisons among
    which this one must stand, which `confidence` allows for.
    """

    id: str
    title: str
    labels: Mapping[str, str]
    settled: bool
    smallest_per_100: float
    horizon_years: float
    survival: float | None
    error: float
    confidence: float
    looks: int = 1


def plan_question(
    comparison: Comparison,
    spells: pl.DataFrame,
    analysis: Analysis,
    *,
    unit: str = "crown_id",
    cutoff: dt.date | None = None,
    looked: Looked | None = None,
) -> Plan | None:
    """How far a comparison of two groups is from an answer; None where it names no two groups.

    - `comparison`: Its difference names the groups, else its first estimate, else its first two groups.
    - `spells`: Its rows: `state, entry_days, exit_days, event, exit_date` (of the tooth), `exit_reason`, `unit`.
    - `cutoff`: The last day of the records; by default the last day on which any tooth was followed.
    - `looked`: Among which questions a claim must stand: limits are as wide as its share of the chance asks for.
    """
    pair = _pair(comparison)
    if pair is None or spells.is_empty():
        return None
    until = cutoff or spells["exit_date"].max()
    assert isinstance(until, dt.date)
    found = paces(spells, unit=unit, until=until)
    sides = {name: found.get(name, NO_PACE) for name in pair}
    total, years = sum(s.failures for s in sides.values()), sum(s.tooth_years for s in sides.values())
    goal = Goal(
        id=comparison.id,
        title=comparison.title,
        labels={g.name: g.label for g in comparison.groups},
        settled=comparison.verdict.code in (DIFFERS, LITTLE_DIFFERENCE),
        smallest_per_100=comparison.verdict.smallest_difference_per_100,
        horizon_years=comparison.horizon_years,
        survival=_survival(comparison, pair[1], total, years),
        error=_error(comparison, pair, analysis),
        confidence=1 - (1 - analysis.confidence) * (looked.share if looked else 1.0),
        looks=looked.looks if looked else 1,
    )
    return plan_pair(goal, sides)


def plan_pair(goal: Goal, sides: Mapping[str, Pace]) -> Plan:
    """How far two groups, by name with their pace, are from the goal."""
    total, years = sum(s.failures for s in sides.values()), sum(s.tooth_years for s in sides.values())
    if not total or goal.survival is None or not min(s.tooth_years for s in sides.values()):
        why = "No failure has been seen yet" if not total else "One of the groups has not been followed"
        return _plan(goal, sides, (f"{why}: what would settle this cannot be worked out.",))
    ratio = smallest_ratio(goal.survival, goal.smallest_per_100 / 100)
    failing = total / years
    now = information([failing * s.tooth_years for s in sides.values()])
    effect = max(1.0, goal.error**2 * now)
    needed = effect * information_needed(ratio, power=POWER, confidence=goal.confidence)
    return _plan(
        goal,
        sides,
        (),
        ratio=ratio,
        effect=effect,
        times=needed / now,
        months=months_until(needed, list(sides.values()), failing),
    )


def plan_healing(goal: Goal, sides: Mapping[str, Pace], error: float | None) -> Plan:
    """The same for shares healed at recall: `error` is that of their difference in teeth per 100, None without one.

    It shrinks with the root of the teeth recalled, which come at the pace of the last 24 months.
    """
    if not error:
        return _plan(goal, sides, ("There is no range yet: what would settle this cannot be worked out.",))
    wanted = goal.smallest_per_100 / (z_value(goal.confidence) + float(ndtri(POWER)))
    times = (error / wanted) ** 2
    arrivals, cases = sum(s.arrivals for s in sides.values()), sum(s.cases for s in sides.values())
    months = math.ceil(12 * max(times - 1, 0) * cases / arrivals) if arrivals else None
    far = months is None or months > 12 * FORECAST_YEARS
    return _plan(goal, sides, (), effect=1.0, times=times, months=None if far else months)


def plan_nothing(goal: Goal, sides: Mapping[str, Pace], why: str) -> Plan:
    """A plan that holds the counts and says why nothing can be worked out."""
    return _plan(goal, sides, (why,))


def paces(spells: pl.DataFrame, *, unit: str, until: dt.date) -> dict[str, Pace]:
    """What came, failed and went in every state that has rows, up to the day `until`.

    The day on which a tooth's clock starts is its last day less its days. A tooth is still followed if it is in the
    state at the end and was seen within the last 24 months, alive; otherwise it has left.
    """
    since = until - dt.timedelta(days=PACE_DAYS)
    several = spells[unit].n_unique() < spells.height
    end = pl.col("exit_days").max().over(unit) if several else pl.col("exit_days")
    here = pl.col("exit_days") - pl.col("entry_days").clip(0)
    entered = pl.col("exit_date") - pl.duration(days=pl.col("end") - pl.col("entry_days").clip(0))
    at_end = pl.col("exit_days") == pl.col("end")
    alive = (pl.col("exit_date") > since) & (pl.col("exit_reason") != "death")
    counted = (
        spells.select("state", unit, "exit_days", "entry_days", "exit_date", "exit_reason", "event", end=end)
        .group_by("state")
        .agg(
            pl.len(),
            cases=pl.col(unit).n_unique(),
            failures=pl.col("event").sum(),
            days=here.sum(),
            still=(~pl.col("event") & at_end & alive).sum(),
            arrived=(entered > since).sum(),
        )
    )
    out = {}
    for row in counted.iter_rows(named=True):
        tooth_years = float(row["days"]) / DAYS_PER_YEAR
        gone = row["len"] - row["failures"] - row["still"]
        out[row["state"]] = Pace(
            cases=row["cases"],
            failures=row["failures"],
            tooth_years=tooth_years,
            followed=row["still"],
            arrivals=row["arrived"] / (PACE_DAYS / DAYS_PER_YEAR),
            leaving=gone / tooth_years if tooth_years else 0.0,
        )
    return out


def smallest_ratio(survival: float, difference: float) -> float:
    """The hazard ratio of a share that lies `difference` below `survival`: the harder of the two directions to see."""
    return ratio_of_shares(survival, max(survival - difference, 0.01))


def information(failures: Sequence[float]) -> float:
    """Information on the log hazard ratio of two groups with so many failures: 1 / (1/a + 1/b)."""
    one, other = failures
    return one * other / (one + other) if one and other else 0.0


def months_until(needed: float, sides: Sequence[Pace], failing: float, *, within: int = FORECAST_YEARS) -> int | None:
    """Whole months until the information is there at the present pace; None if not within `within` years."""
    for month in range(12 * within + 1):
        seen = [
            failing * s.tooth_years
            + expected_failures(
                followed=s.followed, arrivals=s.arrivals, failing=failing, leaving=s.leaving, after=month / 12
            )
            for s in sides
        ]
        if information(seen) >= needed:
            return month
    return None


def _pair(comparison: Comparison) -> tuple[str, str] | None:
    if comparison.difference is not None:
        return comparison.difference.group, comparison.difference.reference
    if comparison.estimates:
        group, _, reference = comparison.estimates[0].contrast.partition(" vs ")
        return group, reference
    names = [g.name for g in comparison.groups]
    return (names[0], names[1]) if len(names) > 1 else None


def _survival(comparison: Comparison, reference: str, failures: int, tooth_years: float) -> float | None:
    """Share of the reference without failure at the horizon: from its curve, else from the rate of both groups."""
    horizon = days_of(comparison.horizon_years)
    for group in comparison.groups:
        for m in group.milestones:
            if group.name == reference and days_of(m.years) == horizon and m.survival and m.survival < 1:
                return m.survival
    if not failures or not tooth_years:
        return None
    return math.exp(-failures / tooth_years * comparison.horizon_years)


def _error(comparison: Comparison, pair: tuple[str, str], analysis: Analysis) -> float:
    """Standard error of the log hazard ratio by the last model that gave one (which adjusts for most); else 0.

    The limits are by Student's t, with the degrees of freedom of so many failures where each patient has one.
    """
    found: list[Estimate] = [e for e in comparison.estimates if e.contrast == " vs ".join(pair)]
    if not found:
        return 0.0
    failures = {g.name: g.failures for g in comparison.groups}
    allowance = Allowance(1.0, degrees_of_freedom(*(failures.get(name, 0) for name in pair)))
    return math.log(found[-1].ci_high / found[-1].ci_low) / (2 * allowance.quantile(analysis.confidence))


def _plan(
    goal: Goal,
    sides: Mapping[str, Pace],
    why: tuple[str, ...],
    *,
    ratio: float | None = None,
    effect: float | None = None,
    times: float | None = None,
    months: int | None = None,
) -> Plan:
    more = max(times - 1, 0.0) if times is not None else None
    groups = tuple(
        PlanGroup(
            name=name,
            label=goal.labels.get(name, name),
            cases=s.cases,
            failures=s.failures,
            tooth_years=s.tooth_years,
            cases_a_year=s.arrivals,
            more_cases=None if more is None else math.ceil(more * s.cases),
            more_failures=None if more is None else math.ceil(more * s.failures),
        )
        for name, s in sides.items()
    )
    failures = sum(s.failures for s in sides.values())
    plan = Plan(
        id=goal.id,
        title=goal.title,
        settled=goal.settled,
        smallest_per_100=goal.smallest_per_100,
        horizon_years=goal.horizon_years,
        hazard_ratio=ratio,
        design_effect=effect,
        groups=groups,
        failures_so_far=failures,
        failures_needed=None if times is None else math.ceil(times * failures),
        months=months,
        practices=None if times is None else math.ceil(round(times, 1)),
        within_years=FORECAST_YEARS,
        sentences=why,
        looks=goal.looks,
    )
    return plan if why else replace(plan, sentences=_sentences(plan))


def _sentences(plan: Plan) -> tuple[str, ...]:
    assert plan.failures_needed is not None
    assert plan.practices is not None
    goal = f"a difference of {plan.smallest_per_100:g} per 100 by {in_years(plan.horizon_years)}"
    if plan.settled:
        return (f"Answered for now; {goal} was what mattered.",)
    if plan.failures_needed <= plan.failures_so_far:
        return (
            f"There are failures enough ({plan.failures_so_far:,}) to find {goal} four times in five: what is open "
            "here is not a question of numbers alone.",
        )
    first = (
        f"To find {goal} four times in five takes about {plan.failures_needed:,} failures in the two groups together; "
        f"there are {plan.failures_so_far:,}."
    )
    cases = " and ".join(f"{g.more_cases:,} more with {g.label.lower()}" for g in plan.groups if g.more_cases)
    second = f"With groups in their present shares and followed as so far, that is about {cases}."
    together = f"{plan.practices:,} practices of this size together, each with records as long, would have it now."
    if plan.months is None:
        third = (
            f"Not at this pace: this practice alone would not get there within {plan.within_years} years. {together}"
        )
    else:
        third = f"At the pace of the last 24 months about {count(plan.months, 'month')} more of records, or {together}"
    return first, second, third
