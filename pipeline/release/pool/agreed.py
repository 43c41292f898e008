"""What practices must have in common before their figures may be pooled: form, rules, words, and the questions."""

import functools
import itertools
import re
from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.practice.outcomes import CROWNS
from pipeline.questions.question import COMPARISONS
from pipeline.questions.question import Question as Compared
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.question import HEALED, Question
from pipeline.release import disclosure

# The form of the file, and what is meant by crown, failure, follow-up and group. A change in either makes files
# of the former kind outdated.
SCHEMA = 2
DEFINITIONS = 4
KIND = "toothyears contribution"
NOTE = "Rounded counts and ratios of groups of teeth. Nothing in this file is about a person."

TOOTH_GROUPS = ("anterior", "premolar", "molar")
# Settings that decide what is counted and how it is judged.
RULES = (
    "reversal_days", "course_gap_days", "course_pair_days", "crown_repost_days", "crown_pair_days", "lab_days",
    "recement_days", "crown_date", "horizon_years", "smallest_difference_per_100", "min_failures", "confidence",
)  # fmt: skip
CROWN_DATES = ("seat", "prep")
COVARIATES = (
    *disclosure.COVARIATES, "first treatment or repeat", "age at the start", "year of the start",
    "root canal before the seat", "lesion before treatment", "first treatment or retreatment", "crown at the start",
    "grinding or clenching",
)  # fmt: skip
MODELS = ("cox_time_varying", "cox", "cox_time_varying_crown", "cox_landmark", "cox_by_technique")
_NUMBER = re.compile(r"-?\d{1,8}(\.\d{1,4})?")


def agreed_rules(rules: Mapping[str, str], analysis: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    """The settings that must agree, by name; one that is neither a number nor a known word is left out."""
    given = {**rules, **analysis}
    return tuple((name, given[name]) for name in RULES if sayable_rule(name, given.get(name)))


def sayable_rule(name: str, value: object) -> bool:
    """True for a rule of ours whose value is a number or a known word, so that no text of a practice leaves."""
    if name not in RULES or not isinstance(value, str):
        return False
    return value in CROWN_DATES if name == "crown_date" else _NUMBER.fullmatch(value) is not None


def sayable_covariates(given: tuple[str, ...]) -> tuple[str, ...]:
    """Characteristics by their known names, any other ones together as one."""
    return disclosure.sayable_covariates(given, COVARIATES)


@dataclass(frozen=True)
class Pooled:
    """One question that is pooled: `group` is set against `reference`; `labels` are in the order of the two.

    `compared` is the id of the comparison or technique answer that it comes from. `curves` is False where no risk-set
    table is given, `technique` True where the question is one of the family of technique questions, whose verdicts are
    corrected for many looks. `safety` marks a measure of safety. `may_enter_late` says of the two groups whether teeth
    may join after the clock's start, so that the number followed may rise.
    """

    id: str
    compared: str
    title: str
    outcome: str
    clock: str
    group: str
    reference: str
    labels: tuple[str, str]
    model: str
    curves: bool = True
    technique: bool = False
    may_enter_late: tuple[bool, bool] = (True, True)
    safety: bool = False


_VAGUE = ("other",)  # a group that means something else in every practice


@functools.cache
def questions() -> dict[str, Pooled]:
    """Every question that may be pooled, by id: the comparisons, then pairs of groups of technique questions.

    Technique groups that are words of a practice's own (cements, cores, posts), or `other`, mean different things in
    different practices and are not pooled; nor is healing at recall, where a practice's recalls decide who is counted.
    """
    technique = itertools.chain.from_iterable(map(_of_technique, all_questions()))
    return {q.id: q for q in (*map(_of_comparison, COMPARISONS), *technique)}


def _of_comparison(q: Compared) -> Pooled:
    labels = q.pooled_labels or (q.labels[q.pair[0]], q.labels[q.pair[1]])
    may_enter_late = (True, not q.late or q.outcome.population is CROWNS)
    return Pooled(
        q.id, q.id, q.title, q.outcome.id, q.clock, *q.pair, labels, q.model,
        curves=q.pooled_curves, may_enter_late=may_enter_late,
    )  # fmt: skip


def _of_technique(q: Question) -> list[Pooled]:
    named = [*((x.name, x.label) for x in q.levels), *((x.name, x.label) for x in q.bands)]
    labels = {name: label for name, label in named if name not in _VAGUE}
    # The usual group is the reference of every pair that it is in, else the one that the question names first.
    order = sorted(labels, key=lambda name: (name != q.reference, list(labels).index(name)))
    clock = "since_seat" if q.unit == "crown" else "since_completion"
    return [
        Pooled(
            f"technique_{q.id}_{outcome}:{group}:{reference}", f"technique_{q.id}_{outcome}", q.title, outcome, clock,
            group, reference, (labels[group], labels[reference]), "cox_by_technique",
            curves=False, technique=True, safety=q.safety,
        )
        for outcome in q.outcomes
        if outcome != HEALED
        for reference, group in itertools.combinations(order, 2)
    ]  # fmt: skip
