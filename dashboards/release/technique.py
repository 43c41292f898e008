"""Technique questions as they may leave: in words of the declared questions, on steps worth five teeth.

What passes of an answer: its question, outcome and groups where all of them are declared, and of these the groups whose
counts the gate tells, where there are two or more; of their contrasts the difference per 100 on the coarser step of the
two groups, with its range widened, and the ratio with two figures. The verdict is no bolder than these figures; why it
is open hangs on them, on what the question measures, and on whether nearly every clinician works one way, as a rule.

Inside, a group of fewer than 5 failures is pooled, left out or no reference, and a question of one such group is not
answered. So that nobody reads a count under 11 off what is listed and what is not, groups whose counts are hidden are
not named, nor are pooled ones, whose size says which groups were too small; and where another group took the place of
the declared reference, though that one is named under another outcome, nothing is compared with it. Rows without a
value are in no group, so that no total is known from which a hidden count could be taken.
"""

import functools
from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass, field

from dashboards import terms
from dashboards.formats import known, sentence_case
from dashboards.release.count import ReleasedCount
from dashboards.release.percent import borne_out, difference_on_step, ratio_range
from pipeline.practice import outcomes
from pipeline.practice.tables import CEMENTS, CORES, POSTS
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.grouping import OTHER
from pipeline.questions.techniques.question import Question
from pipeline.release.disclosure import Gate
from pipeline.results.safety import spoken_code
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast

OUTCOMES = {o.id: o.shared or o.event for o in outcomes.OUTCOMES if o.event}
TOO_FEW_GROUPS = "a question of which fewer than two groups may be told"
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
    """One way over another, adjusted: failures more (above 0) or fewer per 100 by the horizon, and the ratio.

    `why` is why it is open where the range that is shown does not say so: a key of `terms.OF_A_TECHNIQUE`, or empty.
    """

    label: str
    against: str
    per_100: int
    low: int
    high: int
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    verdict_code: str
    why: str = ""

    def __post_init__(self) -> None:
        if self.verdict_code not in terms.VERDICTS or not self.low <= self.per_100 <= self.high:
            raise ValueError("a released contrast has a known verdict and lies within its range")
        if self.why and (self.verdict_code != "cannot_tell" or self.why not in terms.OF_A_TECHNIQUE):
            raise ValueError("of a released contrast a reason that is not known, or that a verdict contradicts")

    @property
    def code(self) -> str:
        """The verdict, or why there is none."""
        return self.why or self.verdict_code


@dataclass(frozen=True)
class ReleasedTechnique:
    """One question and outcome, of two groups or more that are told in full.

    `safety` marks a measure of safety, as its question is declared.
    """

    title: str
    outcome: str
    horizon_years: float
    groups: tuple[ReleasedTechniqueGroup, ...]
    contrasts: tuple[ReleasedContrast, ...]
    safety: bool = False

    def __post_init__(self) -> None:
        if len(self.groups) < 2 or any(None in (g.teeth.value, g.failures.value) for g in self.groups):
            raise ValueError("a technique question is released with two groups or more whose counts are told")
        if any(spoken_code(c.verdict_code, safety=self.safety) != c.verdict_code for c in self.contrasts):
            raise ValueError("of a measure of safety a verdict that is never said")


@dataclass(frozen=True)
class ReleasedTechniques:
    """All that may leave of the technique questions of a run; `family` is about how many looks were corrected for.

    A look is one of groups of at least 5 failures each, so their number is told in steps too.
    """

    answers: tuple[ReleasedTechnique, ...] = ()
    family: ReleasedCount = field(default_factory=lambda: ReleasedCount(None))

    @property
    def contrasts(self) -> tuple[ReleasedContrast, ...]:
        """Every contrast that is shown."""
        return tuple(c for a in self.answers for c in a.contrasts)


def release_techniques(gate: Gate, answers: Sequence[TechniqueAnswer], *, smallest: float) -> ReleasedTechniques:
    """Let through the answers that can be said in declared words; `smallest` is the difference that would matter.

    The groups of a question go by its name, so that one which is hidden under one outcome is so under every other.
    """
    told = [(a, counts) for a in answers if (counts := _counts(gate, a)) is not None]
    named = {(a.question, name) for a, counts in told for name in counts}
    out = tuple(_answer(a, counts, named, smallest) for a, counts in told)
    looks = gate.plain(max(a.family for a in answers)) if out else None
    return ReleasedTechniques(out, ReleasedCount(looks))


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


def _counts(gate: Gate, a: TechniqueAnswer) -> dict[str, tuple[int, int]] | None:
    """Teeth and failures of the groups whose counts are told; None for an answer that stays inside."""
    if a.question not in _declared() or a.outcome not in OUTCOMES:
        return None
    question, labels = _declared()[a.question]
    if not {g.name for g in a.groups} <= {*labels, OTHER}:
        return None
    gate.place = question.title
    told = {}
    for g in a.groups:
        # By its own counts alone: which groups are hidden with a small one would say whether that one had its own row.
        teeth = gate.teeth(g.teeth, g.patients, group=f"{a.question} {g.name}")
        failures = gate.failures(g.failures, g.failed_patients, group=f"{a.question} {g.name} {a.outcome}")
        if g.name != OTHER and teeth is not None and failures is not None:
            told[g.name] = (teeth, failures)
    if len(told) < 2:
        gate.withhold(TOO_FEW_GROUPS)
        return None
    return told


def _answer(
    a: TechniqueAnswer, told: dict[str, tuple[int, int]], named: Set[tuple[str, str]], smallest: float
) -> ReleasedTechnique:
    """The answer with the groups told; `named` are those told under any outcome, with their question."""
    question, labels = _declared()[a.question]
    shown = tuple(ReleasedTechniqueGroup(labels[n], ReleasedCount(t), ReleasedCount(f)) for n, (t, f) in told.items())
    usual = _usual(question, a, named)
    made = [
        _contrast(c, labels, {n: t for n, (t, _) in told.items()}, smallest, safety=question.safety)
        if {c.group, c.reference} <= set(told) and usual(c)
        else None
        for c in a.contrasts
    ]
    kept = tuple(c for c in made if c is not None)
    return ReleasedTechnique(question.title, a.outcome, a.horizon_years, shown, kept, question.safety)


def _usual(q: Question, a: TechniqueAnswer, named: Set[tuple[str, str]]) -> Callable[[TechniqueContrast], bool]:
    """Whether a contrast is one that is made however small the declared reference is.

    Where another took its place for one outcome, and its teeth are told for another, it had under 5 failures.
    """
    replaced = q.reference not in {g.name for g in a.groups} and (a.question, q.reference) in named
    return lambda c: not replaced or (c.group, c.reference) in q.also


def _contrast(
    c: TechniqueContrast, labels: dict[str, str], teeth: dict[str, int], smallest: float, *, safety: bool
) -> ReleasedContrast | None:
    figures = (c.difference_per_100, c.difference_ci_low, c.difference_ci_high)
    if any(v is None or not known(v) for v in figures):
        return None
    mid, low, high = (float(v) for v in figures if v is not None)
    shown = difference_on_step(mid, low, high, [teeth[n] for n in (c.group, c.reference)])
    if shown is None:
        return None
    at, ends, _ = shown
    ratios = [v for v in (c.hazard_ratio, c.ratio_ci_low, c.ratio_ci_high) if v is not None and known(v)]
    shown_ratio: tuple[float | None, float | None, float | None] = (None, None, None)
    if len(ratios) == 3:
        shown_ratio = ratio_range(*ratios)
    code = spoken_code(_verdict(c.verdict, at, ends, smallest), safety=safety)
    why = _why(c, ends, safety=safety) if code == "cannot_tell" else ""
    return ReleasedContrast(labels[c.group], labels[c.reference], at, *ends, *shown_ratio, code, why)


def _why(c: TechniqueContrast, ends: tuple[int, int], *, safety: bool) -> str:
    """Why an open contrast is open, as on the pages inside but by the range that is shown; empty where that says so."""
    leaves_zero_out = ends[0] > 0 or ends[1] < 0
    if safety and not leaves_zero_out:
        return "unmeasured"
    if not c.withheld:
        return ""
    if c.p_family is None:
        return "one_way"
    return "stands_out" if leaves_zero_out else ""


def _verdict(code: str, at: int, ends: tuple[int, int], smallest: float) -> str:
    return borne_out(code, at, *ends, smallest=smallest) if code in terms.VERDICTS else "too_early"
