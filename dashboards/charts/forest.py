"""Hazard ratios with their ranges on a logarithmic axis."""

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import theme
from dashboards.charts.rows import Mark, Row, rows_figure
from dashboards.formats import known

TICKS = (0.1, 0.2, 0.5, 1, 2, 5, 10)


@dataclass(frozen=True)
class Ratio:
    """One hazard ratio; `misleading` ones are drawn hollow and dotted."""

    label: str
    value: float
    low: float
    high: float
    misleading: bool = False


def forest_chart(ratios: Sequence[Ratio], *, id: str, label: str) -> theme.Chart | None:
    """The ratios that could be worked out, one row each; None where there is none."""
    drawn = [r for r in ratios if known(r.value) and r.value > 0]
    if not drawn:
        return None
    ends = [v for r in drawn for v in (r.value, r.low, r.high) if known(v) and v > 0]
    shown = ticks_of(ends)
    look = theme.Look(theme.INK, "solid", "none", "square")
    rows = [
        Row(r.label, (Mark(r.value, max(r.low, 0.01), r.high, look, "%{x:.2f}", hollow=r.misleading),)) for r in drawn
    ]
    figure, height = rows_figure(
        rows,
        title="Hazard ratio: right of 1, failures came faster",
        span=(shown[0], shown[-1]),
        line=1,
        ticks=shown,
        log=True,
    )
    return theme.chart(figure, id=id, label=label, height=height)


def ticks_of(ends: Sequence[float], ticks: Sequence[float] = TICKS) -> list[float]:
    """Those of the ticks that a logarithmic axis from the first to the last of them needs to hold these ratios."""
    low = max((t for t in ticks if t <= min(*ends, 0.5)), default=ticks[0])
    high = min((t for t in ticks if t >= max(*ends, 2.0)), default=ticks[-1])
    return [t for t in ticks if low <= t <= high]
