"""Each practice's value with its range, the pooled one under them, and what a further practice may have."""

from collections.abc import Sequence

from dashboards import theme
from dashboards.charts.forest import ticks_of
from dashboards.charts.rows import Mark, Row, rows_figure
from dashboards.formats import decimal, lower_first, ratio, sentence_case
from pipeline.practice.outcomes import OUTCOMES
from pipeline.results.pooled import PooledComparison, PooledValue

RATIO_TICKS = (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20)
STEPS = (1, 2, 5, 10, 20, 25)
MOST_ROWS, WIDEST = 30, 50.0
LOST = {o.id: o.short or o.event for o in OUTCOMES if o.event}
OWN = theme.Look(theme.SLATE, "solid", "none", "square")
TOGETHER = theme.Look(theme.ACCENT, "solid", "none", "diamond")


def pooled_forest(value: PooledValue, *, id: str, smallest: float) -> theme.Chart:
    """The forest of one pooled value; ranges that run past the axis are cut there. Ratios stand on a logarithmic axis.

    `smallest` is the difference per 100 below which nothing would change, drawn as a zone.
    """
    ratios = value.kind != "difference"
    hover = "%{x:.2f}" if ratios else "%{x:.0f} per 100"
    rows = [
        Row(f"Practice {p.letter} ({100 * p.weight:.0f} % of the weight)", (Mark(p.value, p.low, p.high, OWN, hover),))
        for p in value.parts
    ]
    rows += [
        Row("All practices together", (Mark(value.value, value.low, value.high, TOGETHER, hover),)),
    ]
    if len(value.parts) > 2:  # of two practices it would run from end to end
        predicted = Mark(value.value, value.predicted_low, value.predicted_high, TOGETHER, hover, hollow=True)
        rows.append(Row("One further practice (dotted)", (predicted,)))
    ends = [value.low, value.high, *(v for p in value.parts for v in (p.low, p.high))]
    if ratios:
        ticks = ticks_of(ends, RATIO_TICKS)
        title, zone, line = "Hazard ratio: right of 1, failures came faster", None, 1.0
    else:
        ticks = _ticks(min(100.0, max(smallest, *map(abs, ends)) * 1.05))
        title, zone, line = "Failures per 100, more on the right", (-smallest, smallest), 0.0
    figure, height = rows_figure(
        rows, title=title, span=(ticks[0], ticks[-1]), line=line, zone=zone, ticks=ticks, log=ratios
    )
    write = ratio if ratios else decimal
    found = f"{write(value.value)}, {write(value.low)} to {write(value.high)}"
    label = f"{len(value.parts)} practices and all together: {found}"
    return theme.chart(figure, id=id, label=label, height=height)


def technique_forest(asked: Sequence[PooledComparison], *, id: str) -> theme.Chart | None:
    """The pooled adjusted difference of every technique question, one row a pair of groups; None where there is none.

    Of pairs with a pooled difference those of the widest ranges are left to the table where there are very many.
    """
    found = [(c, v) for c in asked for v in c.values if v.kind == "difference"]
    if not found:
        return None
    kept = {c.id for c, _ in sorted(found, key=lambda f: (f[1].high - f[1].low, f[0].id))[:MOST_ROWS]}
    rows = [
        Row(
            f"{sentence_case(LOST[c.outcome])}: {lower_first(c.groups[0].label)} or {lower_first(c.groups[1].label)}",
            (Mark(v.value, v.low, v.high, TOGETHER, "%{x:.0f} per 100"),),
        )
        for c, v in found
        if c.id in kept
    ]
    smallest = asked[0].smallest_difference_per_100
    widest = min(WIDEST, max([smallest, *(max(-v.low, v.high) for c, v in found if c.id in kept)]))
    ticks = _ticks(widest)
    title = "Failures per 100 more with the first than with the second"
    figure, height = rows_figure(
        rows, title=title, span=(ticks[0], ticks[-1]), line=0.0, zone=(-smallest, smallest), ticks=ticks, pitch=40
    )
    label = f"Pooled differences of {len(rows)} pairs of ways of working, with their ranges"
    return theme.chart(figure, id=id, label=label, height=height)


def _ticks(widest: float) -> list[float]:
    """Even ticks to either side of 0, as far as a difference of `widest`."""
    step = next((s for s in STEPS if widest / s <= 5), STEPS[-1])
    n = int(-(-widest // step))
    return [float(step * i) for i in range(-n, n + 1)]
