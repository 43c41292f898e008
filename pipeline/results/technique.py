"""What the technique questions, those who took up a technique and the checks of recorded technique show, inside.

Shares lie between 0 and 1; rates say per 100. Clinicians are described, never compared with one another.
"""

import math
from dataclasses import dataclass

from pipeline.results.gap import Gap


@dataclass(frozen=True)
class TechniqueGroup:
    """One way of doing it. The rate is crude: failures per 100 tooth-years, with exact limits.

    `adjusted_rate_per_100_tooth_years` is the constant rate that would lose, by the horizon, the share that all teeth
    together would lose in this group by the adjusted model; None without a model or with too few followed so long.
    `success` and its limits are the share of recalled teeth that count as healed, for the outcome
    `radiographic_success` only; `failures` are then those not healed, the rates are None, and `adjusted_success` is
    the share of all recalled teeth that would be healed in this group. `due` are the teeth that a recall was due for,
    of which `teeth` came back. `failed_patients` are those of whom a tooth failed.
    """

    name: str
    label: str
    teeth: int
    patients: int
    failures: int
    tooth_years: float
    rate_per_100_tooth_years: float | None
    rate_ci_low: float | None
    rate_ci_high: float | None
    success: float | None = None
    success_ci_low: float | None = None
    success_ci_high: float | None = None
    adjusted_rate_per_100_tooth_years: float | None = None
    adjusted_rate_ci_low: float | None = None
    adjusted_rate_ci_high: float | None = None
    adjusted_success: float | None = None
    adjusted_success_ci_low: float | None = None
    adjusted_success_ci_high: float | None = None
    due: int | None = None
    failed_patients: int | None = None


@dataclass(frozen=True)
class TechniqueContrast:
    """One group over another, as a rule the reference. None where the model gave nothing: see `notes` of the answer.

    Ratio and difference are adjusted; the difference is in failures per 100 by the horizon, above 0 where the group
    failed more. For `radiographic_success` there is no ratio, and the difference is in teeth not healed per 100. `p` is
    the larger of those of ratio and difference; `p_family` is corrected for all contrasts of all technique questions.
    `withheld` says why a difference that stands alone is not claimed; empty where nothing is withheld.
    """

    group: str
    reference: str
    hazard_ratio: float | None
    ratio_ci_low: float | None
    ratio_ci_high: float | None
    difference_per_100: float | None
    difference_ci_low: float | None
    difference_ci_high: float | None
    p: float | None
    p_family: float | None
    verdict: str  # too_early, little_difference, differs, cannot_tell
    sentence: str
    next_step: str
    withheld: str = ""


def of_100_by_chance(p_family: float) -> int:
    """In how many of 100 practices without a difference chance shows one as clear, at most."""
    return min(100, max(1, math.ceil(100 * p_family)))


@dataclass(frozen=True)
class DosePoint:
    """Adjusted hazard ratio of one dose over the reference dose, from a spline."""

    dose: float
    hazard_ratio: float
    ci_low: float
    ci_high: float


@dataclass(frozen=True)
class TechniqueAnswer:
    """One question and outcome. `reference` names a group; `dose` is empty where the question has no dose.

    `dose_p` is that of no change along the dose, `dose_p_family` corrected for the family, `bend_p` that of a straight
    line; all None without a curve. `dose_sentence` says what may be said of the curve.
    """

    id: str
    question: str
    title: str
    unit: str  # crown or course
    outcome: str  # crown_failure, tooth_loss, endo_failure, radiographic_success
    horizon_years: float
    reference: str
    groups: tuple[TechniqueGroup, ...]
    contrasts: tuple[TechniqueContrast, ...]
    dose: tuple[DosePoint, ...]
    dose_unit: str
    reference_dose: float | None
    adjusted_for: tuple[str, ...]
    stratified_by: tuple[str, ...]
    missing: tuple[Gap, ...]
    caveats: tuple[str, ...]
    notes: tuple[str, ...]
    family: int  # how many contrasts and curves of all technique questions are counted together
    dose_p: float | None = None
    dose_p_family: float | None = None
    bend_p: float | None = None
    dose_sentence: str = ""
    population: str = ""
    time_zero: str = ""
    competing: str = ""


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


@dataclass(frozen=True)
class TradeCheck:
    """One rule on one field: `rows` of the `checked` rows with a value break it.

    `kind` is `impossible` (it cannot be right as it stands) or `unusual` (it may be right: look at it). `source` names
    where the rule is from, or says `common practice, no source`. A rule with nothing to check has `checked` 0.
    """

    id: str
    table: str
    field: str
    kind: str
    checked: int
    rows: int
    sentence: str
    what_to_do: str
    source: str


@dataclass(frozen=True)
class TradeCount:
    """How often a value or a band of values was recorded, and what the trade calls it; `means` may be empty."""

    table: str
    field: str
    label: str
    rows: int
    of: int
    means: str
