"""Failures per 100 by clinician, tooth group or site, in the table's own order, never ranked; and by year."""

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import theme
from dashboards.charts.rows import Mark, Row, nice_top, rows_figure
from dashboards.drawing import Drawing


@dataclass(frozen=True)
class Rate:
    """One row: failed of 100 with its range. Rows without a figure are in the table only."""

    label: str
    failed: float
    low: float
    high: float


def rates_chart(
    rates: Sequence[Rate], *, overall: tuple[float, float, float] | None, title: str, id: str, label: str
) -> theme.Chart | None:
    """Dots with ranges; the whole practice as a line with its range shaded behind. None where nothing can be drawn."""
    if not rates:
        return None
    top = nice_top([r.high for r in rates])
    look = theme.Look(theme.ACCENT, "solid", "none", "circle")
    figure, height = rows_figure(
        [Row(r.label, (Mark(r.failed, r.low, r.high, look, "%{x:.0f} of 100"),)) for r in rates],
        title=title,
        span=(0, top),
        line=overall[0] if overall else None,
        zone=(overall[1], overall[2]) if overall else None,
        shade=theme.EXPECTED,
    )
    return theme.chart(figure, id=id, label=label, height=height)


HEIGHT = 300


def by_year_chart(
    rates: Sequence[Rate], *, overall: tuple[float, float, float] | None, title: str, since: str, id: str, label: str
) -> theme.Chart | None:
    """Dots with ranges over the years of `since`; the whole practice as a line. None where no year can be drawn."""
    dated = [r for r in rates if r.label.isdigit()]
    if not dated:
        return None
    years = [int(r.label) for r in dated]
    figure = Drawing()
    if overall:
        figure.add_hrect(
            y0=overall[1], y1=overall[2], fillcolor=theme.EXPECTED, line={"width": 0}, layer="below"
        )  # fmt: skip
        figure.add_hline(y=overall[0], line={"color": theme.INK, "width": 1.5})
    for year, rate in zip(years, dated, strict=True):
        figure.add_scatter(
            x=[year, year], y=[rate.low, rate.high], mode="lines", hoverinfo="skip",
            line={"color": theme.ACCENT, "width": 3},
        )  # fmt: skip
    figure.add_scatter(
        x=years, y=[r.failed for r in dated], mode="markers", hovertemplate="%{x}: %{y:.0f} of 100<extra></extra>",
        marker={"size": 9, "color": theme.ACCENT},
    )  # fmt: skip
    figure.update_xaxes(
        title={"text": since}, range=[min(years) - 0.7, max(years) + 0.7], tickformat="d", showgrid=False
    )
    if len(years) < 8:
        figure.update_xaxes(tickmode="array", tickvals=years)
    figure.update_yaxes(title={"text": title}, range=[0, nice_top([r.high for r in dated])])
    figure.update_layout(margin={"l": 64, "r": 16, "t": 12, "b": 48, "autoexpand": False})
    theme.keep_data(figure, ("year", "of 100", "low", "high"), [(r.label, r.failed, r.low, r.high) for r in dated])
    return theme.chart(figure, id=id, label=label, height=HEIGHT)
