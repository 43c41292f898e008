"""What was found, on half a page, for someone who reads nothing else."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from dashboards import page, tables, terms, words
from dashboards.charts.difference import difference_chart
from dashboards.formats import count, whole
from dashboards.theme import Chart
from pipeline.results import Comparison, Difference, Results
from pipeline.results_asked import Asked


def render(results: Results, *, asked: Sequence[Asked] = ()) -> str:
    """The page `index.html`: the main comparison's verdict first, then the overall figures, links and cautions.

    `asked` are the practice's own questions, on the page `asked.html`.
    """
    main = results.comparisons[0] if results.comparisons else None
    overall = [words.rate_headline(t.rows[0], t.outcome) for t in results.rates if t.by == "overall" and t.rows]
    chart = comparison_difference(main, id="difference") if main else None
    labels = {g.name: g.label for g in main.groups} if main else {}
    return page.render(
        "index.html.j2",
        title="What was found",
        audience="inside",
        charts=[chart],
        practice=results.practice,
        here="index.html",
        cautions=results.cautions,
        main=main,
        chart=chart,
        groups=tables.groups(main) if main else None,
        difference=words.difference_sentence(main.difference, labels, terms.outcome(main.outcome).noun)
        if main and main.difference
        else "",
        overall=overall,
        decisions=decisions(results),
        further=further(results),
        scope=words.scope_sentence(results),
        not_asked=words.not_asked(results),
        not_run=results.not_run,
        asked=asked_sentence(asked),
    )


def decisions(results: Results) -> list[tuple[str, str, str]]:
    """What was found on each emulated trial: the question, the short verdict, the verdict in a sentence."""
    return [
        (t.question, terms.verdict(t.verdict.code), t.verdict.sentence) for t in results.trials if t.verdict is not None
    ]


def asked_sentence(asked: Sequence[Asked]) -> str:
    """How many questions of the practice's own there are, and how many could be answered; empty without any."""
    if not asked:
        return ""
    answered = sum(a.comparison is not None for a in asked)
    return f"{count(len(asked), 'question')} of our own, {whole(answered) if answered else 'none'} of them answered."


def further(results: Results) -> str:
    """How the other comparisons came out, in counts: `Of 3 further comparisons: differs in these records 2, ...`."""
    codes = [c.verdict.code for c in results.comparisons[1:]]
    if not codes:
        return ""
    counted = Counter(codes)
    parts = [f"{terms.verdict(code).lower()}: {n}" for code, n in sorted(counted.items())]
    return f"{count(len(codes), 'further comparison')} ({'; '.join(parts)})."


def comparison_difference(comparison: Comparison, *, id: str, crude: Difference | None = None) -> Chart | None:
    """The difference of a comparison against the zone too small to matter; None where there is none.

    `crude` is drawn beneath it.
    """
    d = comparison.difference
    if d is None:
        return None
    labels = {g.name: g.label for g in comparison.groups}
    noun = terms.outcome(comparison.outcome).noun
    return difference_chart(
        mid=d.per_100,
        low=d.ci_low,
        high=d.ci_high,
        smallest=comparison.verdict.smallest_difference_per_100,
        row=words.difference_row(d, labels),
        title="Failures per 100, more on the right",
        id=id,
        label=words.difference_sentence(d, labels, noun)
        + f" {words.zone_sentence(comparison.verdict.smallest_difference_per_100)}",
        crude=(crude.per_100, crude.ci_low, crude.ci_high) if crude else None,
    )
