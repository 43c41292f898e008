"""What a technique question says of itself."""

from dataclasses import dataclass
from typing import Literal

from pipeline.practice import outcomes
from pipeline.questions.covariates import Covariate, Levels, Numeric
from pipeline.results.safety import SAFETY_FIELDS

CROWN_FAILURE, TOOTH_LOSS = outcomes.CROWN_FAILURE.id, outcomes.TOOTH_LOSS.id
ENDO_FAILURE, HEALED = outcomes.ENDO_FAILURE.id, outcomes.NOT_HEALED.id
COURSE_OUTCOMES = (TOOTH_LOSS, ENDO_FAILURE, HEALED)

_AGE, _SEX = Numeric("age", "age at the start", 10.0), Levels("sex", "sex")
_TOOTH_GROUP, _YEAR = Levels("tooth_group", "tooth group"), Numeric("year", "year of the start", 5.0)
# What is known of a tooth before its crown was seated, and before its root canal was finished.
OF_CROWNS: tuple[Covariate, ...] = (
    *(_AGE, _SEX, _TOOTH_GROUP),
    Levels("endo_before_seat", "root canal before the seat"),
    Levels("material", "material"),
    _YEAR,
    Levels("post_placed", "post under the core"),
    Levels("crown_lengthening", "crown lengthening"),
)
OF_COURSES: tuple[Covariate, ...] = (
    *(_AGE, _SEX, _TOOTH_GROUP),
    Levels("kind", "first treatment or retreatment"),
    Levels("lesion", "lesion before treatment"),
    Levels("crown_at_start", "crown at the start"),
    _YEAR,
    Levels("pulpal_diagnosis", "diagnosis of the pulp before treatment"),
    Levels("apical_diagnosis", "diagnosis of the root end before treatment"),
    Levels("splint", "splint"),
    Levels("film_3d", "three-dimensional film"),
)

CHOSEN = (
    "Teeth were not given one way or the other by chance; what led to the choice may itself decide how long they last."
)
# Whom a question is asked of, and from when they are followed.
POPULATION = {
    "crown": "Crowns made here and followed from their seat",
    "course": "The first completed root canal of each tooth",
    "every_course": "Every completed root canal",
}
TIME_ZERO = {
    "crown": "the seat of the crown",
    "course": "completion of the root canal",
    "every_course": "completion of the root canal",
}
# Where what is recorded of it stands.
DETAILS = {"crown": "crown_details", "course": "endo_details", "every_course": "endo_details"}
AFTERWARDS = "A crown made after the root canal is a later event and is not adjusted for."


@dataclass(frozen=True)
class Level:
    """One group: the words of the factor that belong to it."""

    name: str
    label: str
    words: tuple[str, ...]


@dataclass(frozen=True)
class Band:
    """One group of a dose: `above` < dose <= `to`, None being without end.

    `at_least` takes the lower end in, `below` leaves the upper end out.
    """

    name: str
    label: str
    above: float | None
    to: float | None
    at_least: bool = False
    below: bool = False


@dataclass(frozen=True)
class Among:
    """The rows of which alone something is asked: those whose `column` is true, and who they are in words."""

    column: str
    population: str


@dataclass(frozen=True)
class Question:
    """One question as data.

    `factor` is a column of the rows of `unit`: crowns, the first course of each tooth, or every course (see `rows.py`).
    Groups are `levels`, or `bands` of a dose, or, with neither, the words as recorded, the commonest being the
    reference. `reference` names a group; `also` are further pairs of groups to compare, the second being the one
    compared with. `adjust` are the covariates and `why_adjust` the reason for them. `needs` are the stored fields
    without which it is not asked, each `table.column`: the detail of the factor's name unless others are given.
    `spline` adds a curve over the dose. `learn` marks a technique that a clinician may take up: its learning curve is
    then asked for as well (see `learning.py`). Of groups too small to be shown words are counted together, bands of a
    dose left out, since its two ends are not alike. `events` are words of `codes.EVENTS` whose rows say the groups
    where the fields do not (see `coded_details.py`). `pool_label` names such words together where the reference is none
    of them ("others together" says nothing). `among` keeps only the rows for which either way was possible. `safety`
    marks a measure of safety, of which it is never said that its ways differ little (see `safety.py`)."""

    id: str
    title: str
    unit: Literal["crown", "course", "every_course"]
    factor: str
    outcomes: tuple[str, ...]
    adjust: tuple[Covariate, ...]
    why_adjust: str
    needs: tuple[str, ...] = ()
    reference: str = ""
    levels: tuple[Level, ...] = ()
    bands: tuple[Band, ...] = ()
    dose_unit: str = ""
    spline: bool = False
    caveats: tuple[str, ...] = (CHOSEN,)
    also: tuple[tuple[str, str], ...] = ()
    learn: bool = False
    safety: bool = False
    events: tuple[str, ...] = ()
    pool_label: str = ""
    among: Among | None = None

    @property
    def population(self) -> str:
        """Whom it is asked of, in words."""
        return self.among.population if self.among else POPULATION[self.unit]

    def __post_init__(self) -> None:
        """Refuse a question that contradicts itself: a fault of ours."""
        if not self.needs:
            object.__setattr__(self, "needs", (f"{DETAILS[self.unit]}.{self.factor}",))
        names = [*(level.name for level in self.levels), *(band.name for band in self.bands)]
        if len(set(names)) < len(names) or bool(names) != (self.reference in names) or (self.levels and self.bands):
            raise ValueError(f"{self.id}: groups and reference do not fit.")
        if not {name for pair in self.also for name in pair} <= set(names):
            raise ValueError(f"{self.id}: a pair of groups that it does not have.")
        if self.pool_label and self.bands:
            raise ValueError(f"{self.id}: a name for groups that are never counted together.")
        if self.spline and not self.bands:
            raise ValueError(f"{self.id}: a curve needs a dose.")
        known = (CROWN_FAILURE,) if self.unit == "crown" else COURSE_OUTCOMES
        if not self.outcomes or not set(self.outcomes) <= set(known):
            raise ValueError(f"{self.id}: outcomes that its unit does not have.")
        if self.factor in {c.name for c in self.adjust}:
            raise ValueError(f"{self.id}: adjusted for what it asks about.")
        if self.factor in SAFETY_FIELDS and not self.safety:
            raise ValueError(f"{self.id}: a measure of safety that is not marked as one.")


CODES = {"crown": "procedures: crown codes"}
FILMS = ("findings.pai", "findings.symptomatic")


def name_of(question: Question, outcome: str) -> str:
    """The id of the answer to a question on one outcome."""
    return f"technique_{question.id}_{outcome}"


def codes_needed(question: Question) -> str:
    """The rows of the ledger without which a question has nothing to follow."""
    return CODES.get(question.unit, "procedures: root canal codes")


def fields_needed(question: Question) -> tuple[str, ...]:
    """The fields that say the groups, in words."""
    return tuple(need.replace("|", " or ") for need in question.needs)


def same(*pairs: tuple[str, str]) -> tuple[Level, ...]:
    """Levels that are each one recorded word: pairs of word and label."""
    return tuple(Level(word, label, (word,)) for word, label in pairs)
