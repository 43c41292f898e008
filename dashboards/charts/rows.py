"""Labelled rows with dots and ranges: the shape behind the difference, forest, rates and naive charts.

Labels stand above their row, so that they fit a telephone as well as a printed page.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from dashboards import theme
from dashboards.formats import known

ROW = 50
LONGEST = 56


@dataclass(frozen=True)
class Mark:
    """One dot with its range; `low` and `high` may be None where there is no range. `hover` must be our own words.

    `series` names the dot in pictures and data where a row has several.
    """

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
    ticks: Sequence[float] | None = None,
    log: bool = False,
    pitch: int = ROW,
) -> tuple[go.Figure, int]:
    """The figure and its height.

    `span` is the x axis from low to high in the data's unit, `line` a vertical rule (no difference), `zone` a shaded
    stretch (too small to matter), `ticks` the labelled values, `log` a logarithmic axis (ratios), `pitch` the height of
    a row in pixels.
    """
    figure = go.Figure()
    at = math.log10 if log else float
    if zone is not None:
        figure.add_shape(
            type="rect", xref="x", yref="paper", x0=zone[0], x1=zone[1], y0=0, y1=1,
            fillcolor=theme.ZONE, line={"width": 0}, layer="below",
        )  # fmt: skip
    if line is not None:
        figure.add_shape(
            type="line", xref="x", yref="paper", x0=line, x1=line, y0=0, y1=1, line={"color": theme.INK, "width": 1.5}
        )
    for index, row in enumerate(rows):
        y = -float(index)
        figure.add_annotation(
            text=theme.literal(shorten(row.label)), xref="paper", x=0, xanchor="left", xshift=-8, y=y + 0.32,
            yanchor="middle", showarrow=False, align="left", font={"size": 12, "color": theme.INK},
            bgcolor="rgba(255,255,255,0.85)",
        )  # fmt: skip
        for place, mark in enumerate(row.marks):
            _add(figure, mark, y - 0.12 - 0.16 * place * (len(row.marks) > 1), span)
    axis = {"range": [at(span[0]), at(span[1])], "title": {"text": title}, "type": "log" if log else "linear"}
    if ticks is not None:
        axis |= {"tickmode": "array", "tickvals": list(ticks), "ticktext": [f"{t:g}".replace("-", "−") for t in ticks]}
    data = [(row.label, mark.series, mark.mid, mark.low, mark.high) for row in rows for mark in row.marks]
    theme.keep_data(figure, ("row", "series", "value", "low", "high"), data)
    height = pitch * max(len(rows), 1) + 62
    figure.update_xaxes(**axis)
    figure.update_yaxes(range=[0.6 - max(len(rows), 1), 0.6], visible=False)
    figure.update_layout(margin={"l": 16, "r": 16, "t": 6, "b": 52, "autoexpand": False})
    return figure, height


def shorten(text: str) -> str:
    """Text cut to what a narrow screen holds; the table beside the chart has it whole."""
    return text if len(text) <= LONGEST else text[: LONGEST - 1].rstrip() + "…"


def nice_top(values: Sequence[float], *, least: float = 5.0) -> float:
    """A round upper end of an axis from 0 that holds every value."""
    top = max([least, *(v for v in values if known(v))])
    step = 10.0 ** math.floor(math.log10(top)) / 2
    return math.ceil(top * 1.02 / step) * step


def _add(figure: go.Figure, mark: Mark, y: float, span: tuple[float, float]) -> None:
    """A range line and its dot; what runs past the axis is cut there."""
    if not known(mark.mid):
        return
    if mark.low is not None and mark.high is not None and known(mark.low) and known(mark.high):
        figure.add_scatter(
            x=[max(mark.low, span[0]), min(mark.high, span[1])], y=[y, y], mode="lines", hoverinfo="skip",
            line={"color": mark.look.colour, "width": 3, "dash": "dot" if mark.hollow else "solid"},
        )  # fmt: skip
    figure.add_scatter(
        x=[min(max(mark.mid, span[0]), span[1])], y=[y], mode="markers", hovertemplate=f"{mark.hover}<extra></extra>",
        cliponaxis=False, name=theme.literal(mark.series) or None,
        marker={"symbol": mark.look.symbol, "size": 11, "color": "#ffffff" if mark.hollow else mark.look.colour,
                "line": {"color": mark.look.colour, "width": 2}},
    )  # fmt: skip
