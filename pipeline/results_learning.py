"""Clinicians who took up a technique, as the inside pages show them. Described, never compared with one another."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class LearningSpan:
    """Failures of one stretch of a clinician's teeth; the rate per 100 tooth-years has exact limits, None without time.

    `name` is `before` (all teeth before the technique was taken up), `first` (the first cases done with it) or `later`
    (all cases with it after those).
    """

    name: str
    teeth: int
    failures: int
    tooth_years: float
    rate_per_100_tooth_years: float | None
    rate_ci_low: float | None
    rate_ci_high: float | None


@dataclass(frozen=True)
class LearningClinician:
    """One clinician: `adopted` is the year of the first case, `cases` how many there were with the technique."""

    clinician: str
    adopted: int
    cases: int
    spans: tuple[LearningSpan, ...]


@dataclass(frozen=True)
class Learning:
    """One technique taken up by at least one clinician. `answers` are the ids of its questions among the techniques."""

    id: str
    label: str  # the technique, as its question names the group
    title: str
    unit: str
    outcome: str
    first_cases: int
    clinicians: tuple[LearningClinician, ...]
    answers: tuple[str, ...]
    notes: tuple[str, ...]
