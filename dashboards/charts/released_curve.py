"""Failure curves from a released comparison: the half-yearly grid, and nothing finer."""

from __future__ import annotations

from dataclasses import replace

from dashboards import terms, theme, words_shared
from dashboards.charts.failure_curve import Line, draw
from dashboards.downloads import Sheet
from dashboards.formats import plural
from dashboards.release import ReleasedComparison


def released_curves(c: ReleasedComparison, *, id: str) -> theme.Chart | None:
    """The released curves; None where no group has one."""
    lines = []
    for index, group in enumerate(c.groups):
        if not group.points:
            continue
        lines.append(
            Line(
                theme.look(group.name, index),
                tuple(p.months / 12 for p in group.points),
                tuple(float(p.failed) for p in group.points),
                tuple(float(p.low) for p in group.points),
                tuple(float(p.high) for p in group.points),
                label=group.label,
            )
        )
    columns = years(c)
    if not lines or not columns:
        return None
    noun = plural(2, terms.outcome(c.outcome).noun)
    chart = draw(lines, columns, id=id, label=words_shared.curves(c), noun=noun, since=terms.clock(c.clock))
    rows = tuple((g.label, p.months, p.failed, p.low, p.high) for g in c.groups for p in g.points)
    return replace(chart, sheet=Sheet(("group", "months", f"failed of 100 {noun}", "low", "high"), rows))


def years(c: ReleasedComparison) -> tuple[float, ...]:
    """Even years from 0, at most 11 of them, as far as any curve and twice the horizon, or the last begins."""
    last = max([p.months for g in c.groups for p in g.points], default=0) / 12
    begun = max([g.points[0].months for g in c.groups if g.points], default=0) / 12
    last = min(last, max(2 * c.horizon_years, 10.0, begun + 1))
    step = max(1, -(-int(last) // 10))
    found = [float(y) for y in range(0, int(last) + 1, step)]
    if found[-1] < begun:
        found.append(found[-1] + step)
    return tuple(found) if last >= 1 else ()
