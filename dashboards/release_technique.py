"""Technique questions as they may leave: in words of the declared questions, on steps worth five teeth.

What passes of an answer: its question, outcome and groups where all of them are declared; counts as the gate tells
them, a lone hidden one with its smallest neighbour; of contrasts whose counts all stand the difference
per 100 on the coarser step of the two groups, with its range widened, and the ratio with two figures. The verdict is
no bolder than these figures.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import terms
from dashboards.formats import known, sentence_case
from dashboards.release_count import ReleasedCount
from dashboards.release_percent import borne_out, difference_on_step, round_ratio
from pipeline.disclosure import FAILURES, Gate
from pipeline.results_technique import TechniqueAnswer, TechniqueContrast
from pipeline.safety import spoken_code
from pipeline.tables import CEMENTS, CORES, POSTS
from pipeline.techniques.grouping import OTHER, pooled_as
from pipeline.techniques.question import Question, all_questions

OUTCOMES = {
    "crown_failure": "crown failure",
    "tooth_loss": "tooth loss",
    "endo_failure": "retreatment, surgery or extraction",
    "radiographic_success": "not healed at recall",
}
# Words that practices record for questions without a declared list of groups: common practice, no source.
RECORDED = {
    "cement": (*CEMENTS, "temporary", "other"),
    "core": (*CORES, "unspecified", "other"),
    "post": (*POSTS, "fibre", "metal", "titanium", "prefabricated", "unspecified", "other"),
}


@dataclass(frozen=True)
class ReleasedTechniqueGroup:
    """One way of doing it; of those healed or not at recall, `teeth` are those recalled and `failures` not healed."""

    label: str
    teeth: ReleasedCount
    failures: ReleasedCount


@dataclass(frozen=True)
class ReleasedContrast:
    """One way over another, adjusted: failures more (above 0) or fewer per 100 by the horizon, and the ratio."""

    label: str
    against: str
    per_100: int
    low: int
    high: int
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    verdict_code: str

    def __post_init__(self) -> None:
        if self.verdict_code not in terms.VERDICTS or not self.low <= self.per_100 <= self.high:
            raise ValueError("a released contrast has a known verdict and lies within its range")


@dataclass(frozen=True)
class ReleasedTechnique:
    """One question and outcome. `withheld` contrasts rest on hidden counts, or could not be worked out.

    `safety` marks a measure of safety, as its question is declared.
    """

    title: str
    outcome: str
    horizon_years: float
    groups: tuple[ReleasedTechniqueGroup, ...]
    contrasts: tuple[ReleasedContrast, ...]
    withheld: int
    safety: bool = False

    def __post_init__(self) -> None:
        if any(spoken_code(c.verdict_code, safety=self.safety) != c.verdict_code for c in self.contrasts):
            raise ValueError("of a measure of safety a verdict that is never said")


@dataclass(frozen=True)
class ReleasedTechniques:
    """All that may leave of the technique questions of a run; `family` is how many looks were corrected for."""

    answers: tuple[ReleasedTechnique, ...] = ()
    family: int = 0

    @property
    def contrasts(self) -> tuple[ReleasedContrast, ...]:
        """Every contrast that is shown."""
        return tuple(c for a in self.answers for c in a.contrasts)


def release_techniques(gate: Gate, answers: Sequence[TechniqueAnswer], *, smallest: float) -> ReleasedTechniques:
    """Let through the answers that can be said in declared words; `smallest` is the difference that would matter.

    The groups of a question go by its name, so that one which is hidden under one outcome is so under every other.
    """
    out = tuple(r for a in answers if (r := _answer(gate, a, smallest)) is not None)
    return ReleasedTechniques(out, max((a.family for a in answers), default=0) if out else 0)


@functools.cache
def _declared() -> dict[str, tuple[Question, dict[str, str]]]:
    """Each declared question by its id, and the labels of its groups by name."""
    out = {}
    for q in all_questions():
        labels = {g.name: g.label for g in q.levels} | {g.name: g.label for g in q.bands}
        words = RECORDED.get(q.id, ())
        labels |= {form: sentence_case(w.replace("_", " ")) for w in words for form in (w, w.replace("_", " "))}
        out[q.id] = (q, labels)
    return out


def _answer(gate: Gate, a: TechniqueAnswer, smallest: float) -> ReleasedTechnique | None:
    if a.question not in _declared() or a.outcome not in OUTCOMES:
        return None
    question, labels = _declared()[a.question]
    named = [g.name for g in a.groups]
    labels = labels | {OTHER: pooled_as(question, named)}
    if not set(named) <= set(labels):
        return None
    gate.place = question.title
    groups = [f"{a.question} {n}" for n in named]
    sizes, people = [g.teeth for g in a.groups], [g.patients for g in a.groups]
    teeth = dict(zip(named, gate.table(groups, sizes, people), strict=True))
    failed = gate.table([f"{g} {a.outcome}" for g in groups], [g.failures for g in a.groups], kind=FAILURES)
    failures = {n: f if teeth[n] is not None else None for n, f in zip(named, failed, strict=True)}
    shown = tuple(ReleasedTechniqueGroup(labels[n], ReleasedCount(teeth[n]), ReleasedCount(failures[n])) for n in named)
    full = {n for n in named if teeth[n] is not None and failures[n] is not None}
    safety = question.safety
    made = [_contrast(c, labels, teeth, full, smallest, safety=safety) for c in a.contrasts]
    kept = tuple(c for c in made if c is not None)
    return ReleasedTechnique(question.title, a.outcome, a.horizon_years, shown, kept, len(made) - len(kept), safety)


def _contrast(
    c: TechniqueContrast,
    labels: dict[str, str],
    teeth: dict[str, int | None],
    full: set[str],
    smallest: float,
    *,
    safety: bool,
) -> ReleasedContrast | None:
    figures = (c.difference_per_100, c.difference_ci_low, c.difference_ci_high)
    if not {c.group, c.reference} <= full or any(v is None or not known(v) for v in figures):
        return None
    mid, low, high = (float(v) for v in figures if v is not None)
    shown = difference_on_step(mid, low, high, [teeth[n] for n in (c.group, c.reference)])
    if shown is None:
        return None
    at, ends, _ = shown
    ratio, ratio_low, ratio_high = (None if v is None or not known(v) else round_ratio(v)
                                    for v in (c.hazard_ratio, c.ratio_ci_low, c.ratio_ci_high))  # fmt: skip
    if ratio is None or ratio_low is None or ratio_high is None:
        ratio = ratio_low = ratio_high = None
    code = spoken_code(_verdict(c.verdict, at, ends, smallest), safety=safety)
    return ReleasedContrast(labels[c.group], labels[c.reference], at, *ends, ratio, ratio_low, ratio_high, code)


def _verdict(code: str, at: int, ends: tuple[int, int], smallest: float) -> str:
    return borne_out(code, at, *ends, smallest=smallest) if code in terms.VERDICTS else "too_early"
