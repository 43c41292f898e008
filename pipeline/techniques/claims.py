"""Verdicts on the contrasts of all technique questions, counted together as one family of looks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.questions.crown_longevity import Analysis
from pipeline.questions.verdict import CANNOT_TELL, DIFFERS, TOO_EARLY, Basis, write_verdict
from pipeline.results import Difference, Estimate, Group, Verdict
from pipeline.results_technique import TechniqueAnswer, TechniqueContrast, TechniqueGroup
from pipeline.stats.multiplicity import holm
from pipeline.stats.standardised import AdjustedDifference

METHOD = "adjusted: all the teeth standardised to each group by the adjusted Cox model, grouped by patient"


@dataclass(frozen=True)
class Draft:
    """An answer before its contrasts: ratio and difference by group, where the model gave them.

    `fitted` is false where there is no adjusted model, `between_clinicians` true where no clinician's teeth hold two
    groups in comparable numbers, so that the groups cannot be told from the clinicians.
    """

    answer: TechniqueAnswer
    ratios: Mapping[str, Estimate]
    differences: Mapping[str, AdjustedDifference]
    smallest_per_100: float
    years_of_records: float
    fitted: bool = True
    between_clinicians: bool = False


def with_claims(drafts: Sequence[Draft], analysis: Analysis) -> tuple[TechniqueAnswer, ...]:
    """Answers with their contrasts.

    The family is every contrast of every question and outcome passed that has an adjusted difference and could be
    claimed, decided before any is looked at. A difference whose p, corrected by Holm's rule, does not stay below
    1 - confidence is no longer claimed: the verdict becomes `cannot_tell` and `withheld` says why.
    """
    claimable = [(i, draft) for i, draft in enumerate(drafts) if not draft.between_clinicians]
    keys = [(i, group) for i, draft in claimable for group in draft.differences]
    raw = np.array([_p(drafts[i], group) for i, group in keys], dtype=np.float64)
    family = dict(zip(keys, holm(raw).tolist(), strict=True)) if keys else {}
    return tuple(
        replace(
            draft.answer,
            contrasts=tuple(
                _contrast(draft, group, family.get((i, group.name)), len(keys), analysis)
                for group in draft.answer.groups
                if group.name != draft.answer.reference and group.rate_per_100_tooth_years is not None
            ),
            family=len(keys),
        )
        for i, draft in enumerate(drafts)
    )


def _contrast(
    draft: Draft, group: TechniqueGroup, p_family: float | None, looks: int, analysis: Analysis
) -> TechniqueContrast:
    answer, ratio, found = draft.answer, draft.ratios.get(group.name), draft.differences.get(group.name)
    reference = next(g for g in answer.groups if g.name == answer.reference)
    difference = (
        Difference(group.name, reference.name, analysis.horizon_years, 0, found.per_100, found.low, found.high, METHOD)
        if found
        else None
    )
    verdict = write_verdict(
        Basis(
            group=_as_group(group),
            reference=_as_group(reference),
            difference=difference,
            horizon_years=analysis.horizon_years,
            smallest_per_100=draft.smallest_per_100,
            min_failures=analysis.min_failures,
            years_of_records=draft.years_of_records,
        )
    )
    code, withheld = verdict.code, _withheld(draft, verdict.code, p_family, looks, analysis)
    if withheld:
        code = CANNOT_TELL
    return TechniqueContrast(
        group=group.name,
        reference=reference.name,
        hazard_ratio=ratio.hazard_ratio if ratio else None,
        ratio_ci_low=ratio.ci_low if ratio else None,
        ratio_ci_high=ratio.ci_high if ratio else None,
        difference_per_100=found.per_100 if found else None,
        difference_ci_low=found.low if found else None,
        difference_ci_high=found.high if found else None,
        p=_p(draft, group.name) if found else None,
        p_family=p_family,
        verdict=code,
        sentence=_sentence(verdict, withheld, difference),
        next_step=verdict.next_step,
        withheld=withheld,
    )


def _p(draft: Draft, group: str) -> float:
    # A claim must stand on both scales: normal limits of a ratio and of a difference err on opposite sides when
    # failures are few, and corrected for many looks it is the far tail that counts.
    ratio = draft.ratios.get(group)
    return max(draft.differences[group].p, ratio.p if ratio else 1.0)


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
            f"Alone it would pass for a difference, but {looks} comparisons were made: among so many, one like it "
            "comes up by chance too often."
        )
    return ""


def _sentence(verdict: Verdict, withheld: str, difference: Difference | None) -> str:
    if not withheld:
        return verdict.sentence
    return f"{verdict.range} {withheld}" if difference else withheld


def _as_group(g: TechniqueGroup) -> Group:
    rate = (g.rate_per_100_tooth_years or 0.0, g.rate_ci_low or 0.0, g.rate_ci_high or 0.0)
    return Group(g.name, g.label, g.teeth, g.patients, g.failures, g.tooth_years, *rate)
