"""Failure curves over several practices, on the half-yearly grid that they share."""

from dashboards import theme
from dashboards.charts.failure_curve import Line, draw
from dashboards.formats import decimal
from pipeline.results.pooled import PooledComparison, PooledGroup, PooledPoint

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
