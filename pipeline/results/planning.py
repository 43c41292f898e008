"""What it would take to settle a question: failures, cases, months at the present pace, or practices."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.practice.counts import count, whole, years


@dataclass(frozen=True)
class PlanGroup:
    """One side of a question: what there is now, what comes in a year, and what is lacking at the present shares.

    `cases` and `failures` are those followed in the group, by its time in it; `cases_a_year` counts those that entered
    the group in the last 24 months of the records, by year.
    """

    name: str
    label: str
    cases: int
    failures: int
    tooth_years: float
    cases_a_year: float
    more_cases: int | None
    more_failures: int | None


@dataclass(frozen=True)
class Plan:
    """How far one question is from an answer, to find the smallest difference that matters four times in five.

    `settled` is true for a question with an answer now. `failures_needed` is of both groups together, `months` is None
    where this practice never gets there within `within_years`; `practices` counts this one. All are None where nothing
    can be worked out, and `sentences` says why. `looks` counts the comparisons among which this one must stand: a
    question of technique needs more the more of them are asked. Of healing at recall, cases are teeth recalled,
    failures teeth not healed, and there is no `hazard_ratio`.
    """

    id: str
    title: str
    settled: bool
    smallest_per_100: float
    horizon_years: float
    hazard_ratio: float | None
    design_effect: float | None
    groups: tuple[PlanGroup, ...]
    failures_so_far: int
    failures_needed: int | None
    months: int | None
    practices: int | None
    within_years: int
    sentences: tuple[str, ...]
    looks: int = 1


def settles(plan: Plan) -> str:
    """When a question would be settled: `in about 5 years here, or now by 2 practices of this size together`."""
    if plan.settled:
        return "settled for now"
    if plan.failures_needed is None:
        return "more of the same records would not settle it"
    if plan.failures_so_far >= plan.failures_needed:
        return f"failures enough here to {_find(plan)}; a smaller one takes more"
    here = (
        f"not within {plan.within_years} years here" if plan.months is None else f"in about {stretch(plan.months)} here"
    )
    if plan.practices is None or plan.practices < 2:
        return f"{here}: enough to {_find(plan)}"
    return f"{here}, or now by {whole(plan.practices)} practices of this size together: enough to {_find(plan)}"


def _find(plan: Plan) -> str:
    return f"find a difference of {plan.smallest_per_100:g} of 100, if there is one, four times in five"


def stretch(months_on: int) -> str:
    """A time to come: months up to two years, then whole years."""
    return count(months_on, "month") if months_on < 24 else years(round(months_on / 12))


def what_settles(plan: Plan | None, otherwise: str) -> str:
    """What would settle an open question, as planned, in a sentence; else what is said `otherwise`."""
    if plan is None or plan.settled:
        return otherwise
    if plan.failures_needed is None and plan.sentences:
        return plan.sentences[0]  # why nothing can be worked out
    said = settles(plan)
    return f"{said[:1].upper()}{said[1:]}."
