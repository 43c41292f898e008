"""Technique questions on the inside page: what was counted, what can be said, and what cannot."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import Any

from dashboards import tables, terms, theme
from dashboards.charts.forest import Ratio, forest_chart
from dashboards.formats import DASH, count, decimal, listing, lower_first, percent, ratio, sentence_case, whole, years
from pipeline.results import Results
from pipeline.results_technique import TechniqueAnswer, TechniqueContrast, TechniqueGroup

HEALED = "radiographic_success"
OUTCOME = {
    "crown_failure": "Crown failure",
    "tooth_loss": "Tooth loss",
    "endo_failure": "Retreatment, surgery or extraction",
    HEALED: "Healed at recall",
}
PLACE = {"crown": "Crowns", "course": "Root canals", "every_course": "Root canals"}


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
    family = max(a.family for a in answers)
    claimed = sum(c.verdict == "differs" for a in answers for c in a.contrasts)
    return {
        "asked": asked,
        "charts": [part.chart for one in asked for part in one.parts if part.chart is not None],
        "family": (
            f"{count(len(asked), 'question')} with {count(family, 'adjusted comparison')}, all counted as one family "
            f"of looks. {whole(claimed)} {'shows' if claimed == 1 else 'show'} a difference that may then be named."
        ),
    }


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
    heading = OUTCOME[a.outcome]
    says = tuple(f"{labels[c.group]}: {lower_first(c.sentence)} ({terms.verdict(c.verdict)})" for c in a.contrasts)
    ratios = [
        Ratio(labels[c.group], c.hazard_ratio, c.ratio_ci_low, c.ratio_ci_high)
        for c in a.contrasts
        if c.hazard_ratio is not None and c.ratio_ci_low is not None and c.ratio_ci_high is not None
    ]
    label = f"{a.title}. Adjusted hazard ratios over {lower_first(labels[a.reference])}, with their ranges."
    return Part(
        heading=heading,
        says=says,
        chart=forest_chart(ratios, id=id, label=label),
        groups=_groups(a),
        contrasts=_contrasts(a, labels) if a.contrasts else None,
        dose=_dose(a) if a.dose else None,
        small_print=_small_print(a),
    )


def _groups(a: TechniqueAnswer) -> tables.NumberTable:
    rows: tuple[tuple[str, ...], ...]
    heads: tuple[str, ...]
    if a.outcome == HEALED:
        heads = ("Group", "Teeth recalled", "Patients", "Not healed", "Healed", "95 % range")
        rows = tuple((g.label, whole(g.teeth), whole(g.patients), whole(g.failures), *_shares(g)) for g in a.groups)
    else:
        heads = ("Group", "Teeth", "Patients", "Failures", "Tooth-years", "Per 100 tooth-years", "Range")
        rows = tuple(
            (
                g.label,
                whole(g.teeth),
                whole(g.patients),
                whole(g.failures),
                whole(g.tooth_years),
                decimal(g.rate_per_100_tooth_years),
                _range(g.rate_ci_low, g.rate_ci_high),
            )
            for g in a.groups
        )
    return tables.NumberTable(f"{a.title}, as counted", heads, rows)


def _contrasts(a: TechniqueAnswer, labels: dict[str, str]) -> tables.NumberTable:
    heads = ("Group", "Hazard ratio", "Range", f"Failures per 100 by {years(a.horizon_years)}", "Range ", "What to say")
    rows = tuple(
        (
            labels[c.group],
            ratio(c.hazard_ratio),
            _range(c.ratio_ci_low, c.ratio_ci_high, 2),
            _more(c),
            _range(c.difference_ci_low, c.difference_ci_high),
            terms.verdict(c.verdict),
        )
        for c in a.contrasts
    )
    caption = f"{a.title}, adjusted, against {lower_first(labels[a.reference])}"
    return tables.NumberTable(caption, heads, rows, texts=("What to say",))


def _dose(a: TechniqueAnswer) -> tables.NumberTable:
    heads = (a.dose_unit.capitalize(), "Hazard ratio", "Range")
    rows = tuple((f"{p.dose:.3g}", ratio(p.hazard_ratio), _range(p.ci_low, p.ci_high, 2)) for p in a.dose)
    return tables.NumberTable(f"{a.title}: along the dose, against {a.reference_dose:.3g} {a.dose_unit}", heads, rows)


def _small_print(a: TechniqueAnswer) -> tuple[str, ...]:
    said = []
    if a.adjusted_for:
        within = ", within clinicians" if a.stratified_by else ""
        said.append(
            f"Adjusted for {listing(a.adjusted_for)}{within}; limits allow for teeth of one patient being alike."
        )
    return (*said, *(f"{sentence_case(text)}." for text in a.missing), *a.notes)


def _shares(g: TechniqueGroup) -> tuple[str, str]:
    if g.success is None or g.success_ci_low is None or g.success_ci_high is None:
        return DASH, DASH
    return percent(g.success, 1), f"{percent(g.success_ci_low, 1)} to {percent(g.success_ci_high, 1)}"


def _more(c: TechniqueContrast) -> str:
    if c.difference_per_100 is None:
        return DASH
    return f"{decimal(abs(c.difference_per_100))} {'more' if c.difference_per_100 >= 0 else 'fewer'}"


def _range(low: float | None, high: float | None, places: int = 1) -> str:
    return DASH if low is None or high is None else f"{decimal(low, places)} to {decimal(high, places)}"
