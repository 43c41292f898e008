"""Who took up a technique, and how the cases went by number: curve, chart and table a technique, no ranking."""

from dataclasses import dataclass
from typing import Any

from dashboards import tables, theme
from dashboards.charts.learning import AFTER, BEFORE, learning_chart, span_name
from dashboards.formats import count, decimal, listing, lower_first, whole
from dashboards.pages import technique_tables
from dashboards.pages.technique import chart_along, said
from dashboards.pages.technique_tables import OUTCOME
from pipeline.results import Results
from pipeline.results.technique import Learning, LearningClinician, TechniqueAnswer

LEGEND = (theme.LegendItem("Before", BEFORE), theme.LegendItem("With the technique, by case number", AFTER))


@dataclass(frozen=True)
class Together:
    """What all clinicians' cases together say: one question, of one outcome."""

    heading: str
    says: tuple[str, ...]
    chart: theme.Chart | None
    dose: tables.NumberTable | None
    contrasts: tables.NumberTable | None
    small_print: tuple[str, ...]


@dataclass(frozen=True)
class Taken:
    """One technique that clinicians took up, as the template shows it."""

    title: str
    lead: str
    together: tuple[Together, ...]
    chart: theme.Chart | None
    table: tables.NumberTable
    notes: tuple[str, ...]


def learning_block(results: Results) -> dict[str, Any]:
    """What `technique_learning.html.j2` shows; empty where nobody took anything up."""
    if not results.learning:
        return {}
    answers = {a.id: a for a in results.techniques}
    taken = tuple(_taken(found, answers, f"learning-{i}") for i, found in enumerate(results.learning))
    return {"taken": taken, "legend": LEGEND}


def _taken(found: Learning, answers: dict[str, TechniqueAnswer], id: str) -> Taken:
    label = lower_first(found.label)
    clinicians = sorted(found.clinicians, key=lambda c: c.clinician)
    small = [c.clinician for c in clinicians if not c.spans]
    alone = (f"Too few teeth to be shown: {listing(small)}.",) if small else ()
    asked = [answers[name] for name in found.answers if name in answers]
    title = f"{found.title}: taking up {label}"
    return Taken(
        title=title,
        lead=f"{count(len(clinicians), 'clinician')} took it up.",
        together=tuple(_together(a, f"{id}-{i}") for i, a in enumerate(asked)),
        chart=learning_chart(
            clinicians,
            id=f"{id}-clinicians",
            label=f"{title}. Failures per 100 tooth-years before and by case number, with their ranges.",
        ),
        table=_table(clinicians, f"{OUTCOME[found.outcome]} before and by case number, {label}"),
        notes=(*found.notes, *alone),
    )


def _together(a: TechniqueAnswer, id: str) -> Together:
    labels = {g.name: g.label for g in a.groups}
    return Together(
        heading=f"{a.title.rsplit(': ', 1)[0]}: {lower_first(OUTCOME[a.outcome])}",
        says=(*said(a), *((a.dose_sentence,) if a.dose_sentence else ())),
        chart=chart_along(a, id=id),
        dose=technique_tables.dose(a) if a.dose else None,
        contrasts=technique_tables.contrasts(a, labels) if a.contrasts else None,
        small_print=(*a.caveats, *technique_tables.small_print(a)),
    )


def _table(clinicians: list[LearningClinician], caption: str) -> tables.NumberTable:
    return tables.table_of(caption, [(c, s) for c in clinicians for s in c.spans], {
        "Clinician": lambda r: f"{r[0].clinician}: {span_name(r[1])}",
        "First used": lambda r: str(r[0].adopted),
        "Cases": lambda r: whole(r[0].cases),
        "Teeth": lambda r: whole(r[1].teeth),
        "Failures": lambda r: whole(r[1].failures),
        "Tooth-years": lambda r: whole(r[1].tooth_years),
        "Per 100 tooth-years": lambda r: decimal(r[1].rate_per_100_tooth_years),
        "95 % range": lambda r: f"{decimal(r[1].rate_ci_low)} to {decimal(r[1].rate_ci_high)}",
    })  # fmt: skip
