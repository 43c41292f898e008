"""Verdicts on the contrasts of all technique questions, counted together as one family of looks; what settles each."""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.planning import NO_PACE, PACE_DAYS, Goal, Pace, paces, plan_healing, plan_nothing, plan_pair
from pipeline.questions.techniques.family import by_chance
from pipeline.questions.techniques.healing import healing_sentence
from pipeline.questions.techniques.question import HEALED
from pipeline.questions.verdict import CANNOT_TELL, DIFFERS, LITTLE_DIFFERENCE, TOO_EARLY, Basis, write_verdict
from pipeline.results import DAYS_PER_YEAR, Difference, Estimate, Group, Verdict
from pipeline.results.planning import Plan, what_settles
from pipeline.results.safety import NEXT_STEP
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast, TechniqueGroup
from pipeline.stats.laws import t_upper
from pipeline.stats.limits import z_value
from pipeline.stats.multiplicity import holm
from pipeline.stats.standardised import AdjustedDifference


def paces_of(rows: pl.DataFrame, states: Mapping[str, str], outcome: str) -> dict[str, Pace]:
    """Pace of each group, up to the last day on which any tooth was followed. Of healing, recalls arrive, not teeth."""
    until = rows["exit_date"].max()
    assert isinstance(until, dt.date)
    counted = paces(rows, unit="row_id", until=until)
    found = {state: counted.get(state, NO_PACE) for state in states}
    if outcome != HEALED:
        return found
    judged = pl.col("start") + pl.duration(days=(pl.col("recall_years") * DAYS_PER_YEAR).round())
    recent = rows.filter(judged > until - dt.timedelta(days=PACE_DAYS))
    judged_of = dict(recent.group_by("state").len().iter_rows())
    years = PACE_DAYS / DAYS_PER_YEAR
    return {s: Pace(p.cases, p.failures, 0.0, p.followed, judged_of.get(s, 0) / years, 0.0) for s, p in found.items()}


def plan_contrast(
    answer: TechniqueAnswer,
    contrast: TechniqueContrast,
    ratio: Estimate | None,
    paces: Mapping[str, Pace],
    analysis: Analysis,
    *,
    smallest_per_100: float,
    looks: int,
    why: str = "",
) -> Plan:
    """The plan of one contrast, with limits so wide that it may be claimed among all `looks` (Bonferroni).

    `why` says that nothing can be planned, and the reason.
    """
    groups = {g.name: g for g in answer.groups}
    pair = (contrast.group, contrast.reference)
    title = answer.title if contrast.reference == answer.reference else f"{answer.title} (another reference)"
    goal = Goal(
        id=f"{answer.id}:{contrast.group}:{contrast.reference}",
        title=title,
        labels={name: groups[name].label for name in pair},
        settled=contrast.verdict in (DIFFERS, LITTLE_DIFFERENCE),
        smallest_per_100=smallest_per_100,
        horizon_years=answer.horizon_years,
        survival=_survival(groups[contrast.reference], answer.horizon_years),
        error=0.0 if ratio is None else math.log(ratio.ci_high / ratio.ci_low) / (2 * z_value(analysis.confidence)),
        confidence=1 - (1 - analysis.confidence) / max(looks, 1),
        looks=looks,
    )
    sides = {name: paces[name] for name in pair}
    if why:
        return plan_nothing(goal, sides, why)
    if answer.outcome != HEALED:
        return plan_pair(goal, sides)
    low, high = contrast.difference_ci_low, contrast.difference_ci_high
    error = None if low is None or high is None else (high - low) / (2 * z_value(analysis.confidence))
    return plan_healing(goal, sides, error)


def _survival(reference: TechniqueGroup, horizon_years: float) -> float | None:
    rate = reference.adjusted_rate_per_100_tooth_years or reference.rate_per_100_tooth_years
    return math.exp(-rate / 100 * horizon_years) if rate else None


METHOD = "adjusted: all the teeth standardised to each group by the adjusted Cox model, grouped by patient"
Pair = tuple[str, str]
DOSE: Pair = ("", "")  # the place of the curve over the dose among the looks of a question


@dataclass(frozen=True)
class Draft:
    """An answer before its contrasts: ratio and difference by pair of groups, where the model gave them.

    `pairs` are the contrasts, each group and what it is compared with. `between_clinicians`: no clinician's teeth hold
    two groups in comparable numbers, so that groups cannot be told from clinicians. `paces` of groups come and go.
    """

    answer: TechniqueAnswer
    pairs: tuple[Pair, ...]
    ratios: Mapping[Pair, Estimate]
    differences: Mapping[Pair, AdjustedDifference]
    smallest_per_100: float
    years_of_records: float
    paces: Mapping[str, Pace] = field(default_factory=dict)
    fitted: bool = True
    between_clinicians: bool = False
    safety: bool = False


def with_claims(drafts: Sequence[Draft], analysis: Analysis) -> tuple[tuple[TechniqueAnswer, ...], tuple[Plan, ...]]:
    """What may be claimed of all drafts together: answers with their contrasts, and a plan for each contrast.

    The family is every contrast with an adjusted difference that could be claimed, and every curve over a dose, decided
    before any is looked at. A difference whose p, corrected by Holm's rule, does not stay below 1 - confidence is
    `cannot_tell`, and `withheld` says why.
    """
    looks: dict[tuple[int, Pair], float] = {}
    for i, draft in enumerate(drafts):
        if not draft.between_clinicians:
            looks.update({(i, pair): _p(draft, pair) for pair in draft.pairs if pair in draft.differences})
        if draft.answer.dose_p is not None:
            looks[i, DOSE] = draft.answer.dose_p
    family = dict(zip(looks, holm(list(looks.values())).tolist(), strict=True))
    answers = tuple(_claimed(i, draft, family, analysis) for i, draft in enumerate(drafts))
    planned = [
        [_planned(draft, answer, contrast, analysis) for contrast in answer.contrasts]
        for draft, answer in zip(drafts, answers, strict=True)
    ]
    told = tuple(
        replace(answer, contrasts=tuple(_with_step(draft, c, p) for c, p in zip(answer.contrasts, plans, strict=True)))
        for draft, answer, plans in zip(drafts, answers, planned, strict=True)
    )
    return told, tuple(plan for plans in planned for plan in plans)


def _with_step(draft: Draft, contrast: TechniqueContrast, plan: Plan) -> TechniqueContrast:
    """With what its plan says would settle it; where more records would not, the words of the verdict stay."""
    if _is_unmeasured(draft, contrast):
        return contrast
    return replace(contrast, next_step=what_settles(plan, contrast.next_step))


def _is_unmeasured(draft: Draft, contrast: TechniqueContrast) -> bool:
    """Whether the ways of a measure of safety differ little in what is recorded, which is not what it is for."""
    low, high, little = contrast.difference_ci_low, contrast.difference_ci_high, draft.smallest_per_100
    if not draft.safety or contrast.verdict == TOO_EARLY or low is None or high is None:
        return False
    return -little < low and high < little


def _claimed(i: int, draft: Draft, family: Mapping[tuple[int, Pair], float], analysis: Analysis) -> TechniqueAnswer:
    dose_p = family.get((i, DOSE))
    return replace(
        draft.answer,
        contrasts=tuple(_contrast(draft, pair, family.get((i, pair)), len(family), analysis) for pair in draft.pairs),
        family=len(family),
        dose_p_family=dose_p,
        dose_sentence="" if dose_p is None else _dose_sentence(draft.answer, dose_p, len(family), analysis),
    )


def _planned(draft: Draft, answer: TechniqueAnswer, contrast: TechniqueContrast, analysis: Analysis) -> Plan:
    why = ""
    if draft.between_clinicians:
        why = "Each clinician mostly works one way: more cases of the same kind would not settle this."
    elif not draft.fitted:
        why = "The adjusted model could not be fitted: what would settle this cannot be worked out."
    elif draft.safety:  # a plan would ask for more teeth treated without it
        why = NEXT_STEP
    return plan_contrast(
        answer,
        contrast,
        draft.ratios.get((contrast.group, contrast.reference)),
        draft.paces,
        analysis,
        smallest_per_100=draft.smallest_per_100,
        looks=answer.family,
        why=why,
    )


def _contrast(draft: Draft, pair: Pair, p_family: float | None, looks: int, analysis: Analysis) -> TechniqueContrast:
    answer, ratio, found = draft.answer, draft.ratios.get(pair), draft.differences.get(pair)
    group, reference = (next(g for g in answer.groups if g.name == name) for name in pair)
    healed = answer.outcome == HEALED
    difference = (
        Difference(*pair, analysis.horizon_years, 0, found.per_100, found.low, found.high, METHOD) if found else None
    )
    verdict = write_verdict(
        Basis(
            group=_as_group(group, healed),
            reference=_as_group(reference, healed),
            difference=difference,
            horizon_years=analysis.horizon_years,
            smallest_per_100=draft.smallest_per_100,
            min_failures=analysis.min_failures,
            confidence=analysis.confidence,
            years_of_records=draft.years_of_records,
            safety=draft.safety,
        )
    )
    withheld = _withheld(draft, verdict.code, p_family, looks, analysis)
    sentence = _sentence(verdict, withheld, difference)
    if healed:
        one, other = (group.label, group.failures), (reference.label, reference.failures)
        code = CANNOT_TELL if withheld and found else verdict.code
        said = healing_sentence(code, found, one, other, draft.smallest_per_100, safety=draft.safety)
        sentence = f"{said} {withheld}".strip() if found or not withheld else withheld
    return TechniqueContrast(
        group=group.name,
        reference=reference.name,
        hazard_ratio=ratio.hazard_ratio if ratio else None,
        ratio_ci_low=ratio.ci_low if ratio else None,
        ratio_ci_high=ratio.ci_high if ratio else None,
        difference_per_100=found.per_100 if found else None,
        difference_ci_low=found.low if found else None,
        difference_ci_high=found.high if found else None,
        p=_p(draft, pair) if found else None,
        p_family=p_family,
        verdict=CANNOT_TELL if withheld else verdict.code,
        sentence=sentence,
        next_step=verdict.next_step,
        withheld=withheld,
    )


def _p(draft: Draft, pair: Pair) -> float:
    """Two-sided p of a contrast, the larger of those of difference and ratio, by Student's t.

    A claim must stand on both scales: normal limits of a ratio and of a difference err on opposite sides when failures
    are few, and corrected for many looks it is the far tail that counts. There the normal tail is too thin when errors
    come from few failures: t has one degree of freedom less than the smaller group has failures (or healed teeth).
    """
    found, ratio = draft.differences[pair], draft.ratios.get(pair)
    healed = draft.answer.outcome == HEALED
    few = min(_informative(g, healed) for g in draft.answer.groups if g.name in pair)
    p = float(2 * t_upper(abs(found.per_100) / found.std_error, max(few - 1, 1)))
    if healed:
        return p
    return 1.0 if ratio is None else max(p, ratio.p)


def _informative(group: TechniqueGroup, healed: bool) -> int:
    return min(group.failures, group.teeth - group.failures) if healed else group.failures


def _withheld(draft: Draft, code: str, p_family: float | None, looks: int, analysis: Analysis) -> str:
    """Why a verdict is not given; empty where it stands. What is too early for want of failures stays so."""
    if not draft.fitted:
        return "The adjusted model could not be fitted: nothing is claimed."
    if code == TOO_EARLY:
        return ""
    if draft.between_clinicians:
        return "Each clinician mostly works one way, so the ways cannot be told apart from the clinicians."
    if code == DIFFERS and (p_family is None or p_family >= 1 - analysis.confidence):
        return (
            f"Alone it would pass for a difference, but {looks} comparisons of techniques were made: "
            f"{by_chance(p_family)}."
        )
    return ""


def _sentence(verdict: Verdict, withheld: str, difference: Difference | None) -> str:
    if not withheld:
        return verdict.sentence
    return f"{verdict.range} {withheld}" if difference else withheld


def _dose_sentence(answer: TechniqueAnswer, p_family: float, looks: int, analysis: Analysis) -> str:
    """What may be said of the curve; its bend is only spoken of where there is something that can bend."""
    if p_family >= 1 - analysis.confidence:
        return f"Among {looks} comparisons, no change along the dose can be told from chance."
    if answer.bend_p is not None and answer.bend_p < 1 - analysis.confidence:
        return "Failures change along the dose, and not by the same step everywhere: see the curve."
    return "Failures change along the dose; a curve of equal steps fits as well."


def _as_group(g: TechniqueGroup, healed: bool) -> Group:
    rate = (g.rate_per_100_tooth_years or 0.0, g.rate_ci_low or 0.0, g.rate_ci_high or 0.0)
    return Group(g.name, g.label, g.teeth, g.patients, _informative(g, healed), g.tooth_years, *rate)
