"""What it would take to settle a question: failures, cases, months at the present pace, or practices."""

from __future__ import annotations

from dataclasses import dataclass


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
