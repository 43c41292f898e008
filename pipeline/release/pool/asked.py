"""The questions that may be pooled: comparisons, and pairs of groups of technique questions."""

import functools
import itertools
from dataclasses import dataclass

from pipeline.practice.outcomes import CROWNS
from pipeline.questions.question import COMPARISONS
from pipeline.questions.question import Question as Compared
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.question import HEALED, Question


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


# Groups that mean something else in every practice.
_VAGUE = ("other",)


@functools.cache
def questions() -> dict[str, Pooled]:
    """Every question that may be pooled, by id: the comparisons, then pairs of groups of technique questions.

    Technique groups that are words of a practice's own (cements, cores, posts), or `other`, mean different things in
    different practices and are not pooled; nor is healing at recall, where a practice's recalls decide who is counted.
    """
    asked = [
        *map(_of_comparison, COMPARISONS),
        *itertools.chain.from_iterable(_of_technique(q) for q in all_questions()),
    ]
    return {q.id: q for q in asked}


def _of_comparison(q: Compared) -> Pooled:
    return Pooled(
        q.id,
        q.id,
        q.title,
        q.outcome.id,
        q.clock,
        *q.pair,
        q.pooled_labels or (q.labels[q.pair[0]], q.labels[q.pair[1]]),
        q.model,
        curves=q.pooled_curves,
        may_enter_late=(True, not q.late or q.outcome.population is CROWNS),
    )


def _of_technique(q: Question) -> list[Pooled]:
    named = [*((x.name, x.label) for x in q.levels), *((x.name, x.label) for x in q.bands)]
    labels = {name: label for name, label in named if name not in _VAGUE}
    # The usual group is the reference of every pair that it is in, else the one that the question names first.
    order = sorted(labels, key=lambda name: (name != q.reference, list(labels).index(name)))
    clock = "since_seat" if q.unit == "crown" else "since_completion"
    return [
        Pooled(
            f"technique_{q.id}_{outcome}:{group}:{reference}",
            f"technique_{q.id}_{outcome}",
            q.title,
            outcome,
            clock,
            group,
            reference,
            (labels[group], labels[reference]),
            "cox_by_technique",
            curves=False,
            technique=True,
            safety=q.safety,
        )
        for outcome in q.outcomes
        if outcome != HEALED
        for reference, group in itertools.combinations(order, 2)
    ]
