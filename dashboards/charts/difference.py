"""The difference in failures per 100 with its range, against the zone too small to matter; the crude one beneath."""

from __future__ import annotations

import math

from dashboards import theme
from dashboards.charts.rows import Mark, Row, rows_figure


def difference_chart(
    *,
    mid: float,
    low: float,
    high: float,
    smallest: float,
    row: str,
    title: str,
    id: str,
    label: str,
    crude: tuple[float, float, float] | None = None,
) -> theme.Chart:
    """One row: failures per 100, group minus reference; `smallest` is the least difference that would matter.

    `crude` is the difference before adjustment, drawn hollow in a second row.
    """
    ends = (low, high, *(crude or ()))
    reach = math.ceil((max(*(abs(v) for v in ends), 2 * smallest) + 1) / 5) * 5
    look = theme.Look(theme.INK, "solid", "none", "diamond")
    rows = [Row(row, (Mark(mid, low, high, look, "%{x:.0f} per 100"),))]
    if crude is not None:
        rows.append(Row("The same, not adjusted", (Mark(*crude, look, "%{x:.0f} per 100", hollow=True),)))
    step = 5 if reach <= 25 else 10 * math.ceil(reach / 50)
    figure, height = rows_figure(
        rows,
        title=title,
        span=(-reach, reach),
        line=0,
        zone=(-smallest, smallest),
        ticks=[t for t in range(-reach, reach + 1) if t % step == 0],
    )
    return theme.chart(figure, id=id, label=label, height=height + 16)
