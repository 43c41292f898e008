"""Curves as released: failures on the half-yearly grid, need of a root canal by whole years, nothing finer."""

import math
from collections.abc import Sequence
from dataclasses import replace

from dashboards import terms, theme
from dashboards.charts.failure_curve import Line, draw
from dashboards.downloads import Sheet
from dashboards.formats import plural, sentence_case
from dashboards.release.curve import ReleasedPoint
from dashboards.release.released import ReleasedComparison, ReleasedGroup
from dashboards.release.trial import ReleasedIncidence
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


def released_incidence_chart(found: Sequence[ReleasedIncidence], *, id: str) -> theme.Chart | None:
    """The released curves; None where none runs for a year."""
    lines = [
        Line.through(
            [(float(p.years), float(p.of_100), float(p.low), float(p.high)) for p in c.points],
            theme.look(c.arm, index),
            label=sentence_case(c.label),
        )
        for index, c in enumerate(found)
        if len(c.points) > 1
    ]
    if not lines:
        return None
    columns = sorted({x for line in lines for x in line.x})
    label = " ".join(words_shared.everyday(c) for c in found)
    chart = draw(lines, columns, id=id, label=label, noun="teeth", since="the crown was seated",
                 said="Had a root canal", shape="linear")  # fmt: skip
    rows = tuple((sentence_case(c.label), p.years, p.of_100, p.low, p.high) for c in found for p in c.points)
    return replace(chart, sheet=Sheet(("group", "years", "had a root canal of 100 teeth", "low", "high"), rows))
