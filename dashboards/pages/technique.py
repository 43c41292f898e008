"""Technique questions on the inside pages: what was counted, what can be said, and what cannot."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from dashboards import tables, terms, theme
from dashboards.charts.dose_curve import dose_chart
from dashboards.charts.forest import Ratio, forest_chart
from dashboards.formats import count, lower_first, whole
from dashboards.pages import technique_tables
from dashboards.pages.technique_tables import OUTCOME, PLACE, contrast_label
from pipeline.results import Results
from pipeline.results_technique import TechniqueAnswer

ELSEWHERE = (
    "Asked elsewhere: the timing of the root canal of a crown, a crown after a root canal and the delay to it on the "
    "clinician’s page; clinicians against what is expected, by funnel only, on the owner’s page."
)
STRENGTH = "irrigant_strength"


@dataclass(frozen=True)
class Part:
    """One question and outcome, as the template shows it."""

    heading: str
    says: tuple[str, ...]
    chart: theme.Chart | None
    groups: tables.NumberTable
    contrasts: tables.NumberTable | None
    dose: tables.NumberTable | None
    small_print: tuple[str, ...]
    dose_says: str = ""
    dose_chart: theme.Chart | None = None


@dataclass(frozen=True)
class Asked:
    """One question with its outcomes."""

    title: str
    short: str
    parts: tuple[Part, ...]
    caveats: tuple[str, ...]


def technique_block(results: Results) -> dict[str, Any]:
    """What `technique.html.j2` shows, its charts under `charts`; empty where no technique question was answered."""
    answers = results.techniques
    if not answers:
        return {}
    asked = [_asked(list(found), i) for i, (_, found) in enumerate(groupby(answers, key=lambda a: a.question))]
    return {
        "asked": asked,
        "charts": [c for one in asked for p in one.parts for c in (p.chart, p.dose_chart) if c is not None],
        "family": family_sentence(answers),
        "elsewhere": ELSEWHERE,
    }


def technique_summary(results: Results) -> dict[str, Any]:
    """What `technique_summary.html.j2` shows: one sentence and one table; empty where no question was answered."""
    answers = results.techniques
    return {"family": family_sentence(answers), "summary": technique_tables.summary(answers)} if answers else {}


def family_sentence(answers: Sequence[TechniqueAnswer]) -> str:
    """How many questions and comparisons count as one family of looks, and how many differences may be named."""
    questions = len(list(groupby(answers, key=lambda a: a.question)))
    family = max(a.family for a in answers)
    claimed = sum(c.verdict == "differs" for a in answers for c in a.contrasts)
    shows = "None shows" if not claimed else f"{whole(claimed)} {'show' if claimed > 1 else 'shows'}"
    return (
        f"{count(questions, 'question')} with {count(family, 'adjusted comparison')}, all counted as one family "
        f"of looks. {shows} a difference that may then be named."
    )


def strength_block(results: Results) -> dict[str, Any]:
    """What `technique_strength.html.j2` shows: failures along the strength of the irrigant, for each outcome.

    Empty where no such curve could be drawn.
    """
    found = [a for a in results.techniques if a.question == STRENGTH and a.dose]
    parts = [_part(a, f"strength-{i}") for i, a in enumerate(found)]
    charts = [p.dose_chart for p in parts if p.dose_chart is not None]
    return {"parts": parts, "charts": charts, "caveats": found[0].caveats} if charts else {}


def chart_along(answer: TechniqueAnswer, *, id: str) -> theme.Chart | None:
    """The curve of one answer over its dose; None without one."""
    return dose_chart(
        answer.dose,
        unit=answer.dose_unit,
        reference=answer.reference_dose,
        id=id,
        label=f"{answer.title}. Adjusted hazard ratio along the dose, with its range. {answer.dose_sentence}".strip(),
    )


def said(answer: TechniqueAnswer) -> tuple[str, ...]:
    """Each comparison of an answer in a sentence, with its verdict."""
    labels = {g.name: g.label for g in answer.groups}
    return tuple(
        f"{contrast_label(answer, c, labels)}: {lower_first(c.sentence)} ({terms.verdict(c.verdict)})"
        for c in answer.contrasts
    )


def _asked(answers: list[TechniqueAnswer], place: int) -> Asked:
    first = answers[0]
    title = first.title.rsplit(": ", 1)[0]
    differing = sum(c.verdict == "differs" for a in answers for c in a.contrasts)
    short = f"{count(differing, 'difference')} named" if differing else "no difference named"
    return Asked(
        title=f"{PLACE[first.unit]}: {lower_first(title)}",
        short=short,
        parts=tuple(_part(a, f"technique-{place}-{i}") for i, a in enumerate(answers)),
        caveats=first.caveats,
    )


def _part(a: TechniqueAnswer, id: str) -> Part:
    labels = {g.name: g.label for g in a.groups}
    label = f"{a.title}. Adjusted hazard ratios over {lower_first(labels[a.reference])}, with their ranges."
    return Part(
        heading=OUTCOME[a.outcome],
        says=said(a),
        chart=forest_chart(list(_ratios(a, labels)), id=id, label=label),
        groups=technique_tables.groups(a),
        contrasts=technique_tables.contrasts(a, labels) if a.contrasts else None,
        dose=technique_tables.dose(a) if a.dose else None,
        small_print=technique_tables.small_print(a),
        dose_says=a.dose_sentence,
        dose_chart=chart_along(a, id=f"{id}-dose"),
    )


def _ratios(a: TechniqueAnswer, labels: dict[str, str]) -> Iterable[Ratio]:
    for c in a.contrasts:
        if c.hazard_ratio is not None and c.ratio_ci_low is not None and c.ratio_ci_high is not None:
            yield Ratio(contrast_label(a, c, labels), c.hazard_ratio, c.ratio_ci_low, c.ratio_ci_high)
