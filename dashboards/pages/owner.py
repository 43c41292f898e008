"""How crowns and root canals do: overall, by year, tooth group, site and clinician; and can the records be trusted."""

from __future__ import annotations

from dataclasses import dataclass

from dashboards import page, tables, terms, words, words_trial
from dashboards.charts.by_year import by_year_chart
from dashboards.charts.rates import Rate, rates_chart
from dashboards.formats import in_place, lower_first, plural, years
from dashboards.theme import Chart
from pipeline.results import RateRow, RateTable, Results

ORDER = ("year", "tooth_group", "site_id", "provider_id")
OVERALL_LINE = "The line is the whole practice, the grey stretch its range."


@dataclass(frozen=True)
class Part:
    """One breakdown of an outcome, as the template shows it."""

    heading: str
    text: str
    chart: Chart | None
    table: tables.NumberTable


@dataclass(frozen=True)
class Section:
    """One outcome: its overall figure and its breakdowns."""

    heading: str
    definition: str
    headline: str
    in_place: int | None
    icons_label: str
    overall: tables.NumberTable | None
    parts: tuple[Part, ...]


def render(results: Results) -> str:
    """The page `owner.html`, with the names of clinicians: for inside the practice."""
    outcomes = list(dict.fromkeys(t.outcome for t in results.rates))
    sections = [_section(o, [t for t in results.rates if t.outcome == o]) for o in outcomes]
    whole = next((r for r in results.recalls if r.name == "all"), None)
    return page.render(
        "owner.html.j2",
        title="How our crowns and root canals do",
        audience="inside",
        charts=[p.chart for s in sections for p in s.parts],
        practice=results.practice,
        here="owner.html",
        cautions=results.cautions,
        sections=sections,
        scope=words.scope_sentence(results),
        trust=words.trust_sentences(results),
        overall_line=OVERALL_LINE,
        recalls=tables.recalls(results.recalls) if results.recalls else None,
        recall_headline=words_trial.recall_headline(whole) if whole else "",
    )


def _section(outcome: str, found: list[RateTable]) -> Section:
    whole = next((t for t in found if t.by == "overall" and t.rows), None)
    row = whole.rows[0] if whole else None
    rank = {by: i for i, by in enumerate(ORDER)}
    rest = sorted((t for t in found if t.by != "overall" and t.rows), key=lambda t: rank.get(t.by, len(rank)))
    say = terms.outcome(outcome)
    survival = row.survival if row else None
    return Section(
        heading=whole.title if whole else found[0].title,
        definition=say.definition,
        headline=words.rate_headline(row, outcome) if row else "",
        in_place=in_place(survival) if survival is not None else None,
        icons_label=f"{in_place(survival)} of 100 dots filled: {say.good}." if survival is not None else "",
        overall=tables.rates(whole) if whole else None,
        parts=tuple(_part(t, row) for t in rest),
    )


def _part(table: RateTable, overall: RateRow | None) -> Part:
    table = tables.in_order(table)
    say = terms.outcome(table.outcome)
    id = f"{table.outcome}-{table.by}".replace("_", "-")
    rates = [
        Rate(r.name, 100 * (1 - r.survival), 100 * (1 - r.ci_high), 100 * (1 - r.ci_low))
        for r in table.rows
        if r.survival is not None and r.ci_low is not None and r.ci_high is not None
    ]
    line = None
    if overall and overall.survival is not None and overall.ci_low is not None and overall.ci_high is not None:
        line = (100 * (1 - overall.survival), 100 * (1 - overall.ci_high), 100 * (1 - overall.ci_low))
    title = f"{say.bad.capitalize()} within {years(table.rows[0].years)}, of 100 {plural(2, say.noun)}"
    label = words.rates_label(table)
    if table.by == "year":
        short = f"{say.bad.capitalize()}, of 100"
        chart = by_year_chart(rates, overall=line, title=short, since=say.year, id=id, label=label)
    else:
        chart = rates_chart(rates, overall=line, title=title, id=id, label=label)
    return Part(terms.by(table.by), _text(table, overall), chart, tables.rates(table))


def _text(table: RateTable, overall: RateRow | None) -> str:
    if table.by == "provider_id":
        return (
            "In alphabetical order, not ranked, and not adjusted for which teeth and patients each clinician treats. "
            + words.chance(table.rows, overall)
        )
    missing = sum(r.survival is None for r in table.rows)
    if not missing:
        return ""
    what = lower_first(tables.first_head(table.by))
    return words.too_few(missing, len(table.rows), what, table.rows[0].years)
