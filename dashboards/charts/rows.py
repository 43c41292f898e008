"""Labelled rows with dots and ranges: the shape behind the difference, forest, rates, balance and naive charts.

Labels stand above their row, so that they fit a telephone as well as a printed page; where rows are many and labels
short, beside it.
"""

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import theme
from dashboards.drawing import Drawing
from dashboards.formats import known

ROW = 50
LONGEST, LONGEST_BESIDE = 56, 26  # letters on a line of a label
SECOND_LINE = 15  # pixels that another line of labels takes
LABEL = 0.32  # how far above its row a label stands, in rows
LETTER = 6.0  # pixels that a letter of a label takes, on the average


@dataclass(frozen=True)
class Mark:
    """One dot, with its range where there is one; `hover` in our own words; `series` names it among others."""

    mid: float
    low: float | None
    high: float | None
    look: theme.Look
    hover: str = ""
    hollow: bool = False
    series: str = ""


@dataclass(frozen=True)
class Row:
    """One labelled line of the chart, from the top."""

    label: str
    marks: tuple[Mark, ...]


def rows_figure(
    rows: Sequence[Row],
    *,
    title: str,
    span: tuple[float, float],
    line: float | None = None,
    zone: tuple[float, float] | None = None,
    shade: str = theme.ZONE,
    ticks: Sequence[float] | None = None,
    log: bool = False,
    pitch: int = ROW,
    beside: bool = False,
) -> tuple[Drawing, int]:
    """The figure and its height.

    `span` is the x axis in the data's unit, `line` a vertical rule, `zone` a stretch in `shade`, `ticks` the labelled
    values, `pitch` the height of a row in pixels. `beside` puts labels into a margin on the left, where they cover no
    mark. A long label takes more lines, and all rows are higher for it.
    """
    figure = Drawing()
    labels = [textwrap.wrap(row.label, LONGEST_BESIDE if beside else LONGEST) for row in rows]
    lines = max((len(label) for label in labels), default=1)
    pitch = max(pitch, SECOND_LINE * lines + 4) if beside else pitch + SECOND_LINE * (lines - 1)
    at = math.log10 if log else float
    # A label above its row would lie over zone and rule: there they are left open.
    open_at = [LABEL - 0.18 - SECOND_LINE / 2 * (len(label) - 1) / pitch for label in labels]
    stretches = [(0.0, 1.0)] if beside else [(-i - 0.52, -i + end) for i, end in enumerate(open_at)]
    for low, high in stretches:
        upright = {"xref": "x", "yref": "paper" if beside else "y", "y0": low, "y1": high}
        if zone is not None:
            figure.add_shape(
                type="rect", x0=zone[0], x1=zone[1], fillcolor=shade, line={"width": 0}, layer="below", **upright
            )  # fmt: skip
        if line is not None:
            figure.add_shape(type="line", x0=line, x1=line, line={"color": theme.INK, "width": 1.5}, **upright)
    placed: list[tuple[Mark, float]] = []
    for index, row in enumerate(rows):
        y = -float(index)
        place_of_label = (
            {"xanchor": "right", "align": "right", "y": y}
            if beside
            else {"xanchor": "left", "align": "left", "y": y + LABEL}
        )
        for number, text in enumerate(labels[index]):
            figure.add_annotation(
                text=theme.literal(text), xref="paper", x=0, xshift=-8, yanchor="middle", showarrow=False,
                yshift=SECOND_LINE * ((len(labels[index]) - 1) / 2 - number), font={"size": 12, "color": theme.INK},
                **place_of_label,
            )  # fmt: skip
        for place, mark in enumerate(row.marks):
            shift = 0.0 if beside else -0.12
            placed.append((mark, y + shift - 0.16 * place))
    _draw(figure, placed, span, size=8 if pitch < ROW / 2 else 11)
    axis = {"range": [at(span[0]), at(span[1])], "title": {"text": title}, "type": "log" if log else "linear"}
    if ticks is not None:
        axis |= {"tickmode": "array", "tickvals": list(ticks), "ticktext": [f"{t:g}".replace("-", "−") for t in ticks]}
    data = [(row.label, mark.series, mark.mid, mark.low, mark.high) for row in rows for mark in row.marks]
    theme.keep_data(figure, ("row", "series", "value", "low", "high"), data)
    height = pitch * max(len(rows), 1) + 62
    figure.update_xaxes(**axis)
    lowest = min([0.6 - max(len(rows), 1), *(y - 0.1 for _, y in placed)])
    figure.update_yaxes(range=[lowest, 0.6], visible=False)
    longest = max((len(line) for label in labels for line in label), default=0)
    left = round(LETTER * longest) + 20 if beside else 16
    figure.update_layout(margin={"l": left, "r": 16, "t": 6, "b": 52, "autoexpand": False})
    return figure, height


def nice_top(values: Sequence[float], *, least: float = 5.0) -> float:
    """A round upper end of an axis from 0 that holds every value."""
    top = max([least, *(v for v in values if known(v))])
    step = 10.0 ** math.floor(math.log10(top)) / 2
    return math.ceil(top * 1.02 / step) * step


def _draw(figure: Drawing, placed: Sequence[tuple[Mark, float]], span: tuple[float, float], *, size: int) -> None:
    """Range lines and dots, one trace for all that look alike; what runs past the axis is cut there."""
    alike: dict[tuple[theme.Look, bool, str], list[tuple[Mark, float]]] = {}
    for mark, y in placed:
        if known(mark.mid):
            alike.setdefault((mark.look, mark.hollow, mark.series), []).append((mark, y))
    for (look, hollow, series), found in alike.items():
        ranges_x: list[float | None] = []
        ranges_y: list[float | None] = []
        for mark, y in found:
            if mark.low is not None and mark.high is not None and known(mark.low) and known(mark.high):
                ranges_x += [max(mark.low, span[0]), min(mark.high, span[1]), None]
                ranges_y += [y, y, None]
        if ranges_x:
            figure.add_scatter(
                x=ranges_x, y=ranges_y, mode="lines", hoverinfo="skip",
                line={"color": look.colour, "width": 3, "dash": "dot" if hollow else "solid"},
            )  # fmt: skip
        figure.add_scatter(
            x=[min(max(mark.mid, span[0]), span[1]) for mark, _ in found], y=[y for _, y in found], mode="markers",
            hovertemplate=[f"{mark.hover}<extra></extra>" for mark, _ in found],
            cliponaxis=False, name=theme.literal(series) or None,
            marker={"symbol": look.symbol, "size": size, "color": "#ffffff" if hollow else look.colour,
                    "line": {"color": look.colour, "width": 2}},
        )  # fmt: skip
