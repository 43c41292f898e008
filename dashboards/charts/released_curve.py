"""Failure curves from a released comparison: the half-yearly grid, and nothing finer."""

import math
from dataclasses import replace

from dashboards import terms, theme
from dashboards.charts.failure_curve import Line, draw
from dashboards.downloads import Sheet
from dashboards.formats import plural
from dashboards.release.curve import ReleasedPoint
from dashboards.release.released import ReleasedComparison, ReleasedGroup
from dashboards.words import shared as words_shared


def released_curves(c: ReleasedComparison, *, id: str) -> theme.Chart | None:
    """The released curves; None where no group has one to draw."""
    columns, shown = years(c), drawn(c)
    if not shown:
        return None
    lines = [
        Line.through(
            [(p.months / 12, *_drawn(p)) for p in group.points],
            theme.look(group.name, index),
            label=words_shared.drawn_label(group),
            lined=group.lined,
        )
        for index, group in shown
    ]
    noun = plural(2, terms.outcome(c.outcome).noun)
    chart = draw(lines, columns, id=id, label=words_shared.curves(c), noun=noun, since=terms.clock(c.clock))
    rows = tuple((g.label, p.months, p.middle, p.low, p.high) for g in c.groups for p in g.points)
    return replace(chart, sheet=Sheet(("group", "months", f"failed of 100 {noun}", "low", "high"), rows))


def _drawn(p: ReleasedPoint) -> tuple[float, float, float]:
    """A point with its range; of a band alone the middle of that."""
    return float(p.failed) if p.told else (p.low + p.high) / 2, float(p.low), float(p.high)


def years(c: ReleasedComparison) -> tuple[float, ...]:
    """Even years from 0, at most 11, until all curves have ended, or all have begun and twice the horizon is past."""
    last = max([p.months for g in c.groups for p in g.points], default=0) / 12
    begun = max([g.points[0].months for g in c.groups if g.points], default=0) / 12
    last = math.ceil(min(last, max(2 * c.horizon_years, 10.0, begun + 1)))
    step = max(1, -(-last // 10))
    return tuple(float(y) for y in range(0, last + 1, step)) if last >= 1 else ()


def drawn(c: ReleasedComparison) -> tuple[tuple[int, ReleasedGroup], ...]:
    """Each group with its place whose curve has two points or more on the axis: a single one is no line."""
    end = 12 * max(years(c), default=0)
    return tuple((i, g) for i, g in enumerate(c.groups) if sum(p.months <= end for p in g.points) > 1)
