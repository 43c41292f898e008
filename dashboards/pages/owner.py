"""How crowns and root canals do: overall, by year, tooth group, site and clinician; and can the records be trusted."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dashboards import page, tables, tables_owner, terms
from dashboards.answers import Answer, Answers, Said
from dashboards.charts.benchmarks import benchmarks_chart
from dashboards.charts.monitoring import first_year_chart, funnel_chart, running_chart
from dashboards.charts.rates import Rate, by_year_chart, rates_chart
from dashboards.formats import failed, in_place, lower_first, plural, spread, years
from dashboards.pages import owner_sheet
from dashboards.pages.evidence import evidence_block
from dashboards.pages.healing import healing_block
from dashboards.pages.owner_filters import SCRIPT, filters_block
from dashboards.theme import Chart
from dashboards.words import beside as words_beside
from dashboards.words import comparisons as words
from dashboards.words import owner as words_owner
from dashboards.words import sheet as words_sheet
from pipeline.practice.outcomes import Outcome
from pipeline.results import RateRow, RateTable, Results
from pipeline.results.monitoring import Benchmark, Monitoring
from pipeline.results.owner import SheetLine

ORDER = ("year", "tooth_group", "site_id", "provider_id")
OVERALL_LINE = "The line is the whole practice, the pale stretch its range."
FUNNEL_LINE = (
    "At 1, as many failed as colleagues’ teeth lead one to expect. The broad bar is what chance leaves: were all "
    "alike, every dot would lie on its bar in 95 of 100 such practices, and on the thin line in 998 of 1,000. The "
    "fewer the failures, the longer the bar. A hollow dot is not judged."
)
NOTHING = "No crown or root canal could be followed, so nothing is answered yet."
FIRST_YEAR_LINE = (
    "The middle line is the whole practice; the thin lines are what chance leaves to a quarter of its size. A quarter "
    "whose year is not over has no dot yet."
)


@dataclass(frozen=True)
class Part:
    """One breakdown of an outcome, as the template shows it."""

    heading: str
    text: str
    chart: Chart | None
    table: tables.NumberTable | None
    caption: str = ""
    list: tuple[str, ...] = ()
    more: str = ""
    more_table: tables.NumberTable | None = None


@dataclass(frozen=True)
class Section:
    """One outcome: its overall figure and its breakdowns."""

    heading: str
    short: str
    definition: str
    headline: str
    in_place: int | None
    icons_label: str
    overall: tables.NumberTable | None
    parts: tuple[Part, ...]


def render(results: Results, *, lists: Mapping[str, str] | None = None) -> str:
    """The page `owner.html`, with the names of clinicians: for inside the practice.

    `lists` says where the list of each thing to do lies, by `ToDo.what`, where they were written.
    """
    outcomes = list(dict.fromkeys(t.outcome for t in results.rates))
    watched = {m.outcome: m for m in results.monitoring}
    said = Said()
    sections = [_section(o, [t for t in results.rates if t.outcome == o], watched.get(o)) for o in outcomes]
    sections = [replace(s, parts=tuple(_said_once(p, said) for p in s.parts)) for s in sections]
    published = _published(results.benchmarks, results.owner.lines)
    evidence = evidence_block(results.evidence, "share", said=said)
    sources = words_beside.sources_of(results.benchmarks, results.evidence)
    made = owner_sheet.sheet(results.owner, lists=lists or {}, monitoring=results.monitoring, sources=sources,
                             recalls=results.recalls)  # fmt: skip
    filters = filters_block(results.owner.filters)
    return page.inside(
        "owner.html",
        results,
        title="How our crowns and root canals do",
        answers=owner_sheet.answers(results.owner, sources, results.recalls, until=words.records_to(results))
        or Answers((Answer(NOTHING),)),
        more_scripts=[SCRIPT] if filters else [],
        sheet=made,
        filters=filters,
        sections=sections,
        not_asked=words.not_asked(results),
        trust=words.trust_sentences(results),
        published=published,
        evidence=evidence,
        healing=healing_block(results, by_clinician=True),
    )


def _section(outcome: str, found: list[RateTable], watched: Monitoring | None) -> Section:
    whole = next((t for t in found if t.by == "overall" and t.rows), None)
    row = whole.rows[0] if whole else None
    rank = {by: i for i, by in enumerate(ORDER)}
    shown = (t for t in found if t.by != "overall" and t.rows)
    if watched is not None and watched.funnel is not None:
        shown = (t for t in shown if t.by != "provider_id")
    rest = sorted(shown, key=lambda t: rank.get(t.by, len(rank)))
    say = terms.outcome(outcome)
    survival = row.survival if row else None
    return Section(
        heading=_section_heading(row, say) if row else found[0].title,
        short=words_sheet.name_of(outcome),
        definition=say.definition,
        headline=_headline(row, outcome) if row else "",
        in_place=in_place(survival) if survival is not None else None,
        icons_label=f"{in_place(survival)} of 100 dots filled: {say.good}." if survival is not None else "",
        overall=tables.rates(whole) if whole else None,
        parts=(*(_part(t, row) for t in rest), *(_watch(watched) if watched else ())),
    )


def _headline(row: RateRow, outcome: str) -> str:
    """`9 of 100 failed (range 8 to 10).`: what the heading does not say yet; why there is no figure, where none is."""
    if row.survival is None:
        return words.rate_headline(row, outcome)
    ends = (row.ci_high, row.ci_low)
    rng = f" (range {spread(*(failed(e) for e in ends if e is not None))})" if None not in ends else ""
    return f"{failed(row.survival)} of 100 {terms.outcome(outcome).bad}{rng}."


def _section_heading(row: RateRow, say: Outcome) -> str:
    """The overall figure as a heading; that too few are followed where there is none."""
    if row.survival is None:
        return f"Too few {say.many} are followed for {years(row.years)}"
    return f"{say.rate_name}: {words.rate_in_short(replace(row, ci_low=None), say.rate_kept)}"


def _said_once(p: Part, said: Said) -> Part:
    """A part without the sentences that an earlier part has said: how to read a chart stands under the first alike."""
    return replace(
        p,
        text=said.fresh(p.text),
        caption=said.fresh(p.caption),
        list=tuple(said.each(p.list)),
        more=said.fresh(p.more),
    )


def _part(table: RateTable, overall: RateRow | None) -> Part:
    table = tables.in_order(table)
    say = terms.outcome(table.outcome)
    id = f"{table.outcome}-{table.by}".replace("_", "-")
    rates = [Rate(r.name, *ends) for r in table.rows if (ends := _failed(r))]
    line = _failed(overall) if overall else None
    title = f"{say.bad.capitalize()} within {years(table.rows[0].years)}, of 100 {plural(2, say.noun)}"
    label = words.rates_label(table)
    if table.by == "year":
        short = f"{say.bad.capitalize()}, of 100"
        chart = by_year_chart(rates, overall=line, title=short, since=say.year, id=id, label=label)
    else:
        chart = rates_chart(rates, overall=line, title=title, id=id, label=label)
    return Part(_by_heading(table), _text(table, overall), chart, tables.rates(table), OVERALL_LINE)


def _failed(row: RateRow) -> tuple[float, float, float] | None:
    """Failed of 100 with the range; None where too few are followed."""
    if row.survival is None or row.ci_low is None or row.ci_high is None:
        return None
    return 100 * (1 - row.survival), 100 * (1 - row.ci_high), 100 * (1 - row.ci_low)


def _by_heading(table: RateTable) -> str:
    """`By clinic: 90 to 92`, of the 100 that the section counts; the breakdown alone where none has a rate."""
    told = [in_place(r.survival) for r in table.rows if r.survival is not None]
    if not told:
        return terms.by(table.by)
    low, high = min(told), max(told)
    return f"{terms.by(table.by)}: {low if low == high else spread(low, high)}"


def _watch(found: Monitoring) -> list[Part]:
    """Clinicians, failures over time and the first year, as far as there are failures enough."""
    name, noun = found.outcome.replace("_", "-"), terms.outcome(found.outcome).noun
    whole = [r for r in found.running if r.name == "all"][:1]
    others = [r for r in found.running if r.name != "all"]
    parts = []
    if found.failures < found.min_failures:
        parts.append(Part("Clinicians and months", words_owner.too_few_failures(found), None, None))
    elif not found.funnel:
        parts.append(Part("Clinicians", words_owner.nobody_beside(found), None, None))
    if found.funnel:
        months = {r.name: [m.month for m in r.months if m.signal] for r in others}
        alone = not words_owner.power_of_all(found.funnel)
        chart = funnel_chart(found.funnel, id=f"{name}-funnel", label=words_owner.funnel_label(found.funnel))
        said = tuple(
            words_owner.clinician_sentence(r, noun, min_expected=found.funnel.min_expected, times=found.funnel.times,
                                           signals=months.get(r.name, ()), power=alone)
            for r in found.funnel.rows
        )  # fmt: skip
        parts.append(Part("Clinicians against colleagues", words_owner.expected_from(found), chart,
                          tables_owner.funnel(found), FUNNEL_LINE, said,
                          words_owner.funnel_note(found.funnel)))  # fmt: skip
    for running in whole:
        chart = running_chart(running, id=f"{name}-running", label=words_owner.running_label(running, noun))
        parts.append(Part("Failures month by month", words_owner.running_sentence(running), chart,
                          tables_owner.by_year(running), words_owner.running_read(running),
                          more=words_owner.clinicians_watch(others),
                          more_table=tables_owner.watches(others)))  # fmt: skip
    if found.first_year:
        text = words_owner.first_year_sentence(found.first_year, noun, terms.outcome(found.outcome).population.done)
        chart = first_year_chart(found.first_year, id=f"{name}-first-year", label=text)
        table = tables_owner.first_year(found.first_year, noun)
        parts.append(Part("The first year", text, chart, table, FIRST_YEAR_LINE))
    return parts


def _published(found: Sequence[Benchmark], lines: Sequence[SheetLine]) -> dict[str, Any]:
    """Published figures: those beside ours, and those that cannot be."""
    return {
        "heading": words_owner.benchmark_heading(lines),
        "intro": words_owner.benchmark_intro(found),
        "chart": benchmarks_chart(found, id="published-figures", label=words_owner.benchmarks_label(found)),
        "definitions": words_owner.definitions(found),
        "table": tables_owner.beside_ours(found),
        "rest": tables_owner.not_beside(found),
    } if found else {}  # fmt: skip


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
