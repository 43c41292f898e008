"""Failure curves going up from 0, with 95 % bands, and the years at which the table under them has its columns."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dashboards import theme
from dashboards.drawing import Drawing
from pipeline.results import DAYS_PER_YEAR, Comparison, Group

LEFT, RIGHT = 88, 16
# At the right of a wide chart each line is named at its end; on a narrow one `boot.js` takes names and room away, and
# the legend above remains.
NAMES, NAME = 150, "line-end"
LETTERS, LINE_HIGH = 21, 15  # of a name on one line, and its height in pixels
NAMES_APART = 5  # pixels between two names, that two lines of one do not read as of the other
TITLE, TITLE_SIZE = 40, 13  # letters of the title of the axis that a telephone shows on one line, and their size
TICKS_HIGH = 24  # pixels from the axis to its title
HEIGHT, TOP, BOTTOM = 380, 12, 48
MOST_COLUMNS = 12
MOST_POINTS = 400
SMALLEST_STEP = 0.05  # of 100: less than a pixel
Point = tuple[float, float, float, float, int]  # x, y, low, high and how many are followed


@dataclass(frozen=True)
class Line:
    """One curve in failures per 100 against years; a step up at each x.

    `symbol` marks the whole years; `banded` shades the range; `label` names it in pictures and data; `followed` are
    those still followed at each x, where that is known. One that is not `lined` is its band alone.
    """

    look: theme.Look
    x: tuple[float, ...]
    y: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    symbol: str = ""
    banded: bool = True
    label: str = ""
    followed: tuple[int, ...] = ()
    lined: bool = True

    @classmethod
    def through(cls, points: Sequence[tuple[float, float, float, float]], look: theme.Look, **rest: Any) -> Line:
        """The line through points of x, y, low and high, of which there is one at least."""
        x, y, low, high = zip(*points, strict=True)
        return cls(look, x, y, low, high, **rest)


def failure_curves(comparison: Comparison, *, id: str, label: str, noun: str, since: str) -> theme.Chart | None:
    """The curves of what fails (`noun`) since the start of the clock (`since`); None where no group has one."""
    lines = [_line(g, theme.look(g.name, i)) for i, g in enumerate(comparison.groups) if g.curve]
    columns = ticks(comparison)
    if not lines or not columns:
        return None
    return draw(lines, columns, id=id, label=label, noun=noun, since=since)


def draw(
    lines: Sequence[Line],
    columns: Sequence[float],
    *,
    id: str,
    label: str,
    noun: str,
    since: str,
    said: str = "Failed",
    shape: str = "hv",
    height: int = HEIGHT,
) -> theme.Chart:
    """Draw curves with ticks at `columns` (years), with margins that the table below shares.

    `said` is what happened, for the axis; `shape` is `linear` where points are too far apart for steps.
    """
    figure = Drawing()
    for line in (line for line in lines if line.banded):
        band = {"mode": "lines", "line": {"width": 0, "shape": shape}, "hoverinfo": "skip"}
        figure.add_scatter(x=line.x, y=line.low, **band)
        told = band if line.lined else {**band, "hoverinfo": None, "name": theme.literal(line.label), **_hover(line)}
        figure.add_scatter(x=line.x, y=line.high, fill="tonexty", fillcolor=theme.faded(line.look.colour, 0.13), **told)
    for line in (line for line in lines if line.lined):
        figure.add_scatter(
            x=line.x, y=line.y, mode="lines+markers" if line.symbol else "lines",
            name=theme.literal(line.label) or None,
            **_hover(line),
            line={"color": line.look.colour, "width": 2.5, "dash": line.look.dash, "shape": shape},
            **_markers(line),
        )  # fmt: skip
    title = textwrap.wrap(f"Years since {since}", TITLE)
    more = LINE_HIGH * (len(title) - 1)
    figure.update_xaxes(
        range=list(span(columns)), tickmode="array", tickvals=list(columns),
        ticktext=[f"{c:g}" for c in columns], title={"text": title[0] if len(title) == 1 else ""}, showgrid=False,
    )  # fmt: skip
    for number, text in enumerate(title if len(title) > 1 else ()):
        figure.add_annotation(
            text=text, xref="paper", x=0.5, y=0, yref="paper", yanchor="top", yshift=-TICKS_HIGH - LINE_HIGH * number,
            showarrow=False, font={"size": TITLE_SIZE},
        )  # fmt: skip
    top = _top(lines, columns[-1])
    # A little room under 0, or a curve without a failure would be half hidden by the edge.
    figure.update_yaxes(range=[-0.008 * top, top], title={"text": f"{said}, of 100 {noun}".rstrip()})
    figure.update_layout(margin={"l": LEFT, "r": NAMES, "t": TOP, "b": BOTTOM + more, "autoexpand": False})
    _name_ends(figure, lines, columns[-1], top, height)
    theme.keep_data(figure, ("group", "years", f"{said.lower()} of 100", "low", "high"), _points(lines))
    return theme.chart(figure, id=id, label=label, height=height + more)


def ticks(comparison: Comparison) -> tuple[float, ...]:
    """The years of the axis and of the table under it: milestones that every group has, as far as any curve runs."""
    shared = [{m.years for m in g.milestones} for g in comparison.groups if g.milestones]
    drawn = [m.years for g in comparison.groups for m in g.milestones if m.survival is not None]
    if not shared or not drawn:
        return ()
    years = sorted(y for y in set.intersection(*shared) if 0 <= y <= max(drawn))
    if len(years) > MOST_COLUMNS:
        kept = set(spaced(years, least=(years[-1] - years[0]) / MOST_COLUMNS, first=(comparison.horizon_years,)))
        years = [y for y in years if y in kept]
    return tuple(years)


def spaced(years: Sequence[float], *, least: float, first: Sequence[float] = ()) -> list[float]:
    """Years at least `least` apart: the two ends and `first` before all others."""
    kept: list[float] = []
    for year in (*years[:1], *(y for y in first if y in years), *years[-1:], *years):
        if all(abs(year - k) >= least for k in kept):
            kept.append(year)
    return sorted(kept)


def span(columns: Sequence[float]) -> tuple[float, float]:
    """The ends of the x axis: half a column beyond the first and the last tick."""
    if len(columns) < 2:
        return columns[0] - 0.5, columns[0] + 0.5
    before, after = (columns[1] - columns[0]) / 2, (columns[-1] - columns[-2]) / 2
    return columns[0] - before, columns[-1] + max(before, min(after, (columns[-1] - columns[0]) / 14))


def shifts(columns: Sequence[float]) -> tuple[float, ...]:
    """How far each of as many equal columns must move for its middle to stand under its tick, in column widths."""
    low, high = span(columns)
    n = len(columns)
    return tuple(round((c - low) / (high - low) * n - (i + 0.5), 4) for i, c in enumerate(columns))


def _points(lines: Sequence[Line]) -> list[tuple[str | float, ...]]:
    """One row a step of a line."""
    return [(line.label, *values) for line in lines for values in zip(line.x, line.y, line.low, line.high, strict=True)]


def _hover(line: Line) -> dict[str, object]:
    """Group, time, estimate, range and how many are followed, at every point of a line."""
    followed = line.followed or ("",) * len(line.x)
    rest = ", %{customdata[2]} followed" if line.followed else ""
    who = f"{theme.literal(line.label)}<br>" if line.label else ""
    span = "%{customdata[0]} to %{customdata[1]}"
    of_100, ends = ("%{y:.0f} of 100", f" ({span})") if line.lined else (f"{span} of 100", "")
    return {
        "customdata": [
            [round(low), round(high), n] for low, high, n in zip(line.low, line.high, followed, strict=True)
        ],
        "hovertemplate": f"{who}{of_100} by %{{x:.1f}} years{ends}{rest}<extra></extra>",
    }


def _name_ends(figure: Drawing, lines: Sequence[Line], last: float, top: float, height: int) -> None:
    """Each line's name beside its end, in its colour, pushed apart where ends are near one another."""
    per_100 = (height - TOP - BOTTOM) / top
    named = [(line, textwrap.wrap(line.label, LETTERS)) for line in lines if line.label]
    ends = []
    for line, words in named:
        shown = [y for x, y in zip(line.x, line.y, strict=True) if x <= last] or [0.0]
        ends.append((min(shown[-1], top) * per_100, len(words) * LINE_HIGH, line, words))
    ends.sort(key=lambda end: end[0])
    middles: list[float] = []
    below = 0.0
    for end, high, *_ in ends:  # from the bottom up, none over the one below
        middles.append(max(end, below + high / 2))
        below = middles[-1] + high / 2 + NAMES_APART
    above = top * per_100 + TOP
    for i in reversed(range(len(ends))):  # and none out of the picture
        middles[i] = min(middles[i], above - ends[i][1] / 2)
        above = middles[i] - ends[i][1] / 2 - NAMES_APART
    for middle, (_, high, line, words) in zip(middles, ends, strict=True):
        for number, text in enumerate(words):
            figure.add_annotation(
                name=NAME, text=theme.literal(text), xref="paper", x=1, xanchor="left", xshift=6, y=0, yanchor="middle",
                yshift=middle + high / 2 - (number + 0.5) * LINE_HIGH, showarrow=False,
                font={"size": 12, "color": line.look.colour},
            )  # fmt: skip


def _markers(line: Line) -> dict[str, object]:
    """A marker at each whole year, so that a print without colour tells curves of one dash apart."""
    if not line.symbol:
        return {}
    sizes = [8 if float(x).is_integer() else 0 for x in line.x]
    return {"marker": {"symbol": line.symbol, "size": sizes, "color": line.look.colour, "opacity": 1}}


def _line(group: Group, look: theme.Look) -> Line:
    """The curve's steps in years and failures per 100, from where it starts to where it stops."""
    # Of a group that enters late few are followed at first: a line along 0 would say that they hold better than others.
    first = next((p for p in group.curve if p.survival < 1), None) if group.starts_at_days > 0 else None
    start = (group.starts_at_days if first is None else first.days) / DAYS_PER_YEAR
    points = [(start, 0.0, 0.0, 0.0, (first or group.curve[0]).at_risk)]
    points += [
        (p.days / DAYS_PER_YEAR, 100 * (1 - p.survival), 100 * (1 - p.ci_high), 100 * (1 - p.ci_low), p.at_risk)
        for p in group.curve
        if first is None or p.days >= first.days
    ]
    drawn = [m.years for m in group.milestones if m.survival is not None]
    last = points[-1][0]
    end = group.stops_at_days / DAYS_PER_YEAR if group.stops_at_days is not None else max([last, *drawn])
    if end > last:
        points.append((end, *points[-1][1:]))
    *lines, followed = zip(*_visible(points), strict=True)
    x, y, low, high = (tuple(round(v, 4) for v in values) for values in lines)
    return Line(look, x, y, low, high, label=group.label, followed=followed)


def _visible(points: Sequence[Point]) -> list[Point]:
    """All points of a short curve; of a long one those that move a line visibly, and the last."""
    if len(points) <= MOST_POINTS:
        return list(points)
    kept = [points[0]]
    for point in points[1:]:
        moved = max(abs(a - b) for a, b in zip(point[1:4], kept[-1][1:4], strict=True))
        if moved >= SMALLEST_STEP or point is points[-1]:
            kept.append(point)
    return kept


def _top(lines: Sequence[Line], last: float) -> float:
    """The y axis ends a little above the data; a band much wider than its curve is cut."""
    shown = [(y, h) for line in lines for x, y, h in zip(line.x, line.y, line.high, strict=True) if x <= last]
    curve, band = max(y for y, _ in shown), max(h for _, h in shown)
    return min(100.0, math.ceil(max(min(band, 1.6 * curve), curve * 1.08, 2.0) / 5) * 5)
