"""Failures per 100 by clinician, tooth group or site: rows in the table's own order, never ranked."""

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import theme
from dashboards.charts.rows import Mark, Row, nice_top, rows_figure


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
