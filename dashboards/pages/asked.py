"""The practice's own questions, answered: the page `asked.html`, for inside the practice only."""

from collections.abc import Sequence
from typing import Any

from dashboards import page, tables, terms, theme
from dashboards.answers import Answer, Answers, kept
from dashboards.charts.failure_curve import failure_curves, ticks
from dashboards.charts.rows import Mark, Row, rows_figure
from dashboards.formats import DASH, decimal, plural, sentence_case
from dashboards.tables import NumberTable, between, table_of
from dashboards.theme import Chart, LegendItem
from dashboards.words import comparisons as words
from pipeline.results.asked import Asked, AskedContrast
from pipeline.results.safety import spoken_code

MARKS = "The dot is the difference, the line its range."
ZONE = "the grey zone was fixed beforehand as too small to matter."


def render(asked: Sequence[Asked], *, practice: str, cautions: Sequence[str] = ()) -> str:
    """The page, one section a question, in the order asked."""
    sections = [_section(a, f"q{i}") for i, a in enumerate(asked)]
    return page.render(
        "asked.html",
        title="Questions of our own",
        audience="inside",
        answers=_answers(asked),
        practice=practice,
        cautions=cautions,
        sections=sections,
    )


def _answers(asked: Sequence[Asked]) -> Answers:
    """The first contrast of each question, or that it was refused; then the price of asking."""
    given = []
    for i, a in enumerate(asked):
        first = a.contrasts[0].verdict if a.comparison is not None and a.contrasts else None
        said = first.result if first is not None and first.result else "Not answered; why stands below."
        code = spoken_code(first.code, safety=a.safety) if first is not None else ""
        given.append(Answer(said, asked=a.title, link=f"#question-q{i}", code=code))
    price = "Answered by the same rules as all others. Each question asked so far widens the ranges of all."
    return Answers(kept(given, most=95), notes=(price,))


def _section(asked: Asked, id: str) -> dict[str, Any]:
    """Everything that the template shows of one question."""
    c = asked.comparison
    parts = tuple((sentence_case(k), v) for k, v in asked.asked.items())
    shown: dict[str, Any] = {
        "a": asked,
        "place": f"question-{id}",
        "asked": NumberTable("The question as asked", ("Part", "Asked"), parts, ("Asked",)),
    }
    if c is None:
        return shown | {"c": None, "notes": asked.notes}
    say = terms.outcome(c.outcome)
    noun, since = plural(2, say.noun), terms.clock(c.clock)
    curves = failure_curves(c, id=f"{id}-curves", label=words.curves_label(c), noun=noun, since=since)
    labels = {g.name: g.label for g in c.groups}
    return shown | {
        "c": c,
        "notes": [*asked.notes, *c.notes, *(gap.sentence for gap in c.missing)],
        "definition": say.definition,
        "sentences": [
            f"{labels[x.group]} against {labels[x.reference].lower()}: {x.verdict.sentence}" for x in asked.contrasts
        ],
        "legend": [LegendItem(g.label, theme.look(g.name, i)) for i, g in enumerate(c.groups) if g.curve],
        "curves": curves,
        "under": tables.under_curve(c, ticks(c)) if curves else None,
        "differences": _differences(asked, labels, f"{id}-differences"),
        "under_differences": MARKS if asked.safety else f"{MARKS[:-1]}; {ZONE}",
        "contrasts": _contrasts(asked, labels),
        "groups": tables.groups(c),
        "estimates": tables.estimates(c, labels),
    }


def _differences(asked: Asked, labels: dict[str, str], id: str) -> Chart | None:
    """Failures per 100 more than the reference, with the range of the family."""
    known = [(x, x.difference) for x in asked.contrasts if x.difference is not None]
    if not known:
        return None
    smallest = known[0][0].verdict.smallest_difference_per_100
    widest = max(smallest, *(abs(v) for _, d in known for v in (d.ci_low, d.ci_high))) * 1.05
    step = next(s for s in (1, 2, 5, 10, 20, 50) if widest / s <= 5)
    top = step * -(-widest // step)
    ticks_at = [float(-top + step * i) for i in range(int(2 * top / step) + 1)]
    look = theme.look("difference", 0)
    rows = [Row(_pair(x, labels), (Mark(d.per_100, d.ci_low, d.ci_high, look),)) for x, d in known]
    title = "Failures per 100, more on the right"
    zone = None if asked.safety else (-smallest, smallest)
    figure, height = rows_figure(rows, title=title, span=(-top, top), line=0.0, zone=zone, ticks=ticks_at)
    label = "; ".join(f"{r.label}: {decimal(d.per_100, 0)} per 100" for r, (_, d) in zip(rows, known, strict=True))
    return theme.chart(figure, id=id, label=label, height=height)


def _contrasts(asked: Asked, labels: dict[str, str]) -> NumberTable:
    def apart(x: AskedContrast) -> str:
        d = x.difference
        return DASH if d is None else between(decimal(d.ci_low, 0), decimal(d.ci_high, 0))

    caption = f"Each group against the reference; each range is one of {100 * asked.confidence:.4g} %"
    return table_of(caption, asked.contrasts, {
        "Groups": lambda x: _pair(x, labels),
        "More failures per 100": lambda x: DASH if x.difference is None else decimal(x.difference.per_100, 0),
        "Range": apart,
        "Verdict": lambda x: terms.verdict(x.verdict.code),
        "p of the ratio": lambda x: DASH if x.p is None else f"{x.p:.3f}",
        "p for all asked": lambda x: DASH if x.p_family is None else f"{x.p_family:.3f}",
    }, ("Verdict",))  # fmt: skip


def _pair(contrast: AskedContrast, labels: dict[str, str]) -> str:
    return f"{labels[contrast.group]} against {labels[contrast.reference].lower()}"
