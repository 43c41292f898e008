"""What it would take to settle a question: failures, cases, months at the present pace, or practices."""

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


def what_settles(plan: Plan | None, otherwise: str) -> str:
    """What would settle an open question, as planned, and what that would find; else what is said `otherwise`.

    `In about 5 years here, or at once in the records of 2 practices of this size. That would find a difference of 5 of
    100, if there is one, four times in five.` The second sentence is alike for all that are planned for one difference.
    """
    if plan is None or plan.settled:
        return otherwise
    if plan.failures_needed is None:
        return plan.sentences[0] if plan.sentences else "More of the same records would not settle it."
    find = f"find a difference of {plan.smallest_per_100:g} of 100, if there is one, four times in five"
    if plan.failures_so_far >= plan.failures_needed:
        return f"Failures enough here to {find}; a smaller one takes more."
    together = plan.practices is not None and plan.practices > 1
    records = f"the records of {whole(plan.practices or 0)} practices of this size"
    if plan.months is not None:
        here = f"In about {stretch(plan.months)} here{f', or at once in {records} together' if together else ''}"
    elif together:
        here = f"At once in {records} together, but not here within {plan.within_years} years"
    else:
        here = f"Not here within {plan.within_years} years"
    return f"{here}. That would {find}."


def stretch(months_on: int) -> str:
    """A time to come: months up to two years, then whole years."""
    return count(months_on, "month") if months_on < 24 else years(round(months_on / 12))
