"""Clinicians who took up a technique, as the inside pages show them. Described, never compared with one another."""

from dataclasses import dataclass


@dataclass(frozen=True)
class LearningSpan:
    """One stretch of a clinician's teeth, with the failures per 100 tooth-years and their exact limits.

    `first_case` and `last_case` number the clinician's cases with the technique, from 1; both are None for the teeth
    before it was taken up. `last_case` is None where the stretch goes on.
    """

    first_case: int | None
    last_case: int | None
    teeth: int
    patients: int
    failures: int
    tooth_years: float
    rate_per_100_tooth_years: float
    rate_ci_low: float
    rate_ci_high: float


@dataclass(frozen=True)
class LearningClinician:
    """One clinician: `adopted` is the year of the first case, `cases` how many there were with the technique.

    `spans` are large enough to be shown, in order; empty where all of them together are not.
    """

    clinician: str
    adopted: int
    cases: int
    spans: tuple[LearningSpan, ...]


@dataclass(frozen=True)
class Learning:
    """One technique taken up by at least one clinician. `answers` are the ids of its questions among the techniques.

    The first two ask by case number and before against after; the others of `answers` ask the same of other outcomes.
    """

    id: str
    label: str  # the technique, as its question names the group
    title: str
    unit: str
    outcome: str
    clinicians: tuple[LearningClinician, ...]
    answers: tuple[str, ...]
    notes: tuple[str, ...]
