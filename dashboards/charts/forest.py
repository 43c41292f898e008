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
    span, shown = axis_of(ends)
    look = theme.Look(theme.INK, "solid", "none", "square")
    rows = [
        Row(r.label, (Mark(r.value, max(r.low, 0.01), r.high, look, "%{x:.2f}", hollow=r.misleading),)) for r in drawn
    ]
    figure, height = rows_figure(
        rows,
        title="Hazard ratio: right of 1, failures came faster",
        span=span,
        line=1,
        ticks=shown,
        log=True,
    )
    return theme.chart(figure, id=id, label=label, height=height)


def axis_of(ends: Sequence[float]) -> tuple[tuple[float, float], list[float]]:
    """A logarithmic axis that holds these ratios, from 0.1 to 10 at most, and its ticks."""
    span = (min([*(t for t in TICKS if t <= min(*ends, 0.5))][-1:] or [0.1]), _upper(max(*ends, 2.0)))
    return span, [t for t in TICKS if span[0] <= t <= span[1]]


def _upper(value: float) -> float:
    return next((t for t in TICKS if t >= value), TICKS[-1])
