"""Several practices together: failure curves on the half-yearly grid, and forests of each one's values."""

from collections.abc import Sequence

from dashboards import theme
from dashboards.charts.contrasts import ticks_of
from dashboards.charts.failure_curve import Line, draw
from dashboards.charts.rows import Mark, Row, rows_figure
from dashboards.formats import decimal, lower_first, ratio, sentence_case
from pipeline.practice.outcomes import OUTCOMES
from pipeline.results.pooled import PooledComparison, PooledGroup, PooledPoint, PooledValue

MOST_COLUMNS = 8


def pooled_curves(c: PooledComparison, *, id: str, noun: str, since: str) -> theme.Chart | None:
    """The pooled curve of each group; None where no two practices share one."""
    lines = [_line(g, i) for i, g in enumerate(c.groups) if g.points]
    columns = years(c)
    if not lines or not columns:
        return None
    said = "; ".join(
        f"{g.label}: {decimal(p.failed, 0)} of 100 failed by {p.months / 12:g} years"
        for g in c.groups
        if (p := at(g, c.horizon_years)) is not None
    )
    return draw(lines, columns, id=id, label=said or "Failure curves over all practices", noun=noun, since=since)


def years(c: PooledComparison) -> tuple[float, ...]:
    """Whole years from 0, evenly spaced, as far as the longest curve goes."""
    last = max([p.months for g in c.groups for p in g.points], default=0) // 12
    step = max(1, -(-last // MOST_COLUMNS))
    return tuple(float(y) for y in range(0, last + 1, step)) if last else ()


def at(group: PooledGroup, year: float) -> PooledPoint | None:
    """The point of a group's curve at a year, where it has one."""
    return next((p for p in group.points if p.months == 12 * year), None)


def _line(group: PooledGroup, index: int) -> Line:
    points = [(p.months / 12, round(p.failed, 2), round(p.low, 2), round(p.high, 2)) for p in group.points]
    return Line.through(points, theme.look(group.name, index), label=group.label)


RATIO_TICKS = (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20)
STEPS = (1, 2, 5, 10, 20, 25)
MOST_ROWS, WIDEST = 30, 50.0
LOST = {o.id: o.short or o.event for o in OUTCOMES if o.event}
OWN = theme.Look(theme.SLATE, "solid", "none", "square")
TOGETHER = theme.Look(theme.ACCENT, "solid", "none", "diamond")


def pooled_forest(value: PooledValue, *, id: str, smallest: float) -> theme.Chart:
    """The forest of one pooled value, cut at the axis; ratios on a logarithmic one, differences beside `smallest`."""
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
    """The pooled difference of each technique question, a row a pair; of very many not the widest. None without any."""
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
