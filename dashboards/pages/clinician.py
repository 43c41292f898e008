"""The comparisons in full: curves, the numbers under them, the difference, the verdict, and what would mislead."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dashboards import page, tables, terms, theme, words, words_doubt
from dashboards.charts.failure_curve import failure_curves, ticks
from dashboards.charts.forest import Ratio, forest_chart
from dashboards.charts.naive import Share, naive_chart
from dashboards.formats import DASH, failed, lower_first, phrase, plural, ratio, years
from dashboards.pages import doubts, losses, my_cases, technique, technique_learning, trial, unseen
from dashboards.pages.evidence import evidence_block
from dashboards.pages.healing import healing_block
from dashboards.pages.index import asked_sentence, comparison_difference
from dashboards.pages.legend import LegendItem
from dashboards.pages.planning import planning_block
from dashboards.pages.states import states_block
from dashboards.theme import Chart
from pipeline.results import Comparison, Difference, Estimate, Results
from pipeline.results_asked import Asked

CHARTS = ("curves", "difference", "naive", "forest", *doubts.CHARTS)


def render(results: Results, *, asked: Sequence[Asked] = ()) -> str:
    """The page `clinician.html`: every comparison by the same code, the first as the main one.

    Comparisons of crowns come first, then the emulated trials, then the root canals. `asked` are the practice's own
    questions, on the page `asked.html`.
    """
    sections = [
        _section(c, f"c{i}") | unseen.unseen_block(results.unseen, c.id, f"c{i}")
        for i, c in enumerate(results.comparisons)
    ]
    trials = [
        trial.trial_section(t, f"t{i}") | unseen.unseen_block(results.unseen, t.id, f"t{i}")
        for i, t in enumerate(results.trials)
    ]
    strength, learning = technique.strength_block(results), technique_learning.learning_block(results)
    evidence = evidence_block(results.evidence, "ratio") if results.comparisons else None
    cases, lost = my_cases.my_cases(results.own_cases), losses.losses_block(results)
    states = states_block(results)
    return page.render(
        "clinician.html.j2",
        title=results.comparisons[0].title if results.comparisons else "The comparison in full",
        audience="inside",
        charts=[
            *(s[k] for s in sections for k in CHARTS),
            *(c for t in trials for c in trial.charts(t)),
            *([states["chart"]] if states else []),
            *losses.charts(lost),
            *(c for s in (*sections, *trials) for c in unseen.charts(s)),
            *(c for found in (strength, learning) for c in found.get("charts", ())),
            *my_cases.charts(cases),
            evidence.chart if evidence else None,
        ],
        practice=results.practice,
        here="clinician.html",
        cautions=results.cautions,
        sections=[s for i, s in enumerate(sections) if not i or s["of_crowns"]],
        trials=trials,
        root_canals=[s for i, s in enumerate(sections) if i and not s["of_crowns"]],
        healing=healing_block(results, by_clinician=False),
        states=states,
        losses=lost,
        evidence=evidence,
        cases=cases,
        technique=technique.technique_summary(results),
        strength=strength,
        learning=learning,
        not_run=results.not_run,
        asked=asked_sentence(asked),
        planning=planning_block(results),
        scope=words.scope_sentence(results),
    )


def _section(c: Comparison, id: str) -> dict[str, Any]:
    """Everything that the template shows of one comparison."""
    labels = {g.name: g.label for g in c.groups}
    say = terms.outcome(c.outcome)
    noun, since = plural(2, say.noun), terms.clock(c.clock)
    curves = failure_curves(c, id=f"{id}-curves", label=words.curves_label(c), noun=noun, since=since)
    return {
        "c": c,
        "of_crowns": terms.is_crown(c.outcome),
        "definition": say.definition,
        "legend": [LegendItem(g.label, theme.look(g.name, i)) for i, g in enumerate(c.groups) if g.curve],
        "curves": curves,
        "how_to_read": words.how_to_read(c),
        "curve_notes": words.curve_notes(c),
        "under": tables.under_curve(c, ticks(c)) if curves else None,
        "survival": tables.survival(c),
        "groups": tables.groups(c),
        "difference": comparison_difference(c, id=f"{id}-difference", crude=_crude(c)),
        "difference_text": _difference_text(c, labels, say.noun),
        "zone": words.zone_sentence(c.verdict.smallest_difference_per_100),
        "naive": _naive(c, id),
        "naive_text": words.naive_sentence(c.naive, labels, c.horizon_years, start=terms.label_start(c.clock))
        if c.naive
        else "",
        "naive_legend": [
            LegendItem(g.label, theme.look(g.name, i))
            for i, g in enumerate(c.groups)
            if c.naive is not None and g.name in dict(c.naive.survival)
        ],
        "naive_table": _naive_table(c),
        "forest": _forest(c, labels, id),
        "estimates": tables.estimates(c, labels),
        "ratio_text": words_doubt.ratio_sentence(c),
        "beside": words_doubt.beside_sentences(c),
        **doubts.doubts(c, id),
    }


def _crude(c: Comparison) -> Difference | None:
    """The crude difference, where it is another than the one that the verdict stands on."""
    return None if c.crude_difference == c.difference else c.crude_difference


def _difference_text(c: Comparison, labels: dict[str, str], noun: str) -> list[str]:
    """The difference, how it was worked out, and the crude one."""
    if c.difference is None:
        return []
    said = [words.difference_sentence(c.difference, labels, noun), words_doubt.method_sentence(c.difference)]
    crude = _crude(c)
    if crude is not None:
        said.append(words_doubt.crude_sentence(crude, labels, noun))
    return [text for text in said if text]


def _naive_shares(c: Comparison) -> tuple[list[Share], list[Share]]:
    """Failed of 100 at the horizon, by label from the seat and as followed, for the groups of the naive count."""
    if c.naive is None:
        return [], []
    place = {g.name: i for i, g in enumerate(c.groups)}
    by_label = [(name, place.get(name, 0), float(failed(share))) for name, share in c.naive.survival]
    names = {name for name, _, _ in by_label}
    followed = []
    for g in c.groups:
        point = words.at_horizon(c, g)
        if g.name in names and point is not None and point.survival is not None:
            followed.append((g.name, place[g.name], float(failed(point.survival))))
    return by_label, followed


def _naive(c: Comparison, id: str) -> Chart | None:
    by_label, followed = _naive_shares(c)
    labels = {g.name: g.label for g in c.groups}
    title = f"Failed within {years(c.horizon_years)}, of 100 {plural(2, terms.outcome(c.outcome).noun)}"
    start = terms.label_start(c.clock)
    label = words.naive_sentence(c.naive, labels, c.horizon_years, start=start) if c.naive else ""
    return naive_chart(
        by_label,
        followed,
        start=start,
        title=title,
        id=f"{id}-naive",
        label=f"Misleading count. {label}",
        labels=labels,
    )


def _naive_table(c: Comparison) -> tables.NumberTable | None:
    by_label, followed = _naive_shares(c)
    if not by_label:
        return None
    labels = {g.name: g.label for g in c.groups}
    proper = {name: f"{value:.0f}" for name, _, value in followed}
    rows = tuple((labels.get(name, name), f"{value:.0f}", proper.get(name, DASH)) for name, _, value in by_label)
    caption = f"Failed within {years(c.horizon_years)}, of 100"
    return tables.NumberTable(
        caption, ("Group", f"By label from {terms.label_start(c.clock)} (misleading)", "As followed"), rows
    )


def _forest(c: Comparison, labels: dict[str, str], id: str) -> Chart | None:
    ratios = [
        Ratio(
            f"{_how(e)}: {_short(e.contrast, labels)}",
            e.hazard_ratio,
            e.ci_low,
            e.ci_high,
        )
        for e in c.estimates
    ]
    if c.naive is not None:
        ratios.append(
            Ratio(
                f"Misleading: by label from {terms.label_start(c.clock)}",
                c.naive.hazard_ratio,
                c.naive.ci_low,
                c.naive.ci_high,
                True,
            )
        )
    label = "Hazard ratios: " + "; ".join(
        f"{r.label} {ratio(r.value)} ({ratio(r.low)} to {ratio(r.high)})" for r in ratios
    )
    return forest_chart(ratios, id=f"{id}-forest", label=label)


def _how(e: Estimate) -> str:
    """What tells the model apart in a chart row; the table has the whole list."""
    if not e.adjusted_for:
        return "Unadjusted"
    return f"Adjusted for {phrase(e.adjusted_for[0])}" if len(e.adjusted_for) == 1 else "Adjusted"


def _short(contrast: str, labels: dict[str, str]) -> str:
    """A contrast for a chart row: both groups, without the words that most labels begin with."""
    parts = [labels.get(part, phrase(part)) for part in contrast.split(" vs ")]
    return " against ".join(lower_first(part.removeprefix("Root canal ")) for part in parts)
