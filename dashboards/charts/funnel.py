"""Clinicians against what colleagues lead one to expect of their teeth: dots on what chance alone leaves."""

from dashboards import theme
from dashboards.charts.rows import Mark, Row, nice_top, rows_figure
from pipeline.results.monitoring import Funnel, FunnelRow

# No axis runs further: a multiple beyond it stands at the edge.
FARTHEST = 6.0
# The dot of a row lies this far below the row's place (`rows_figure`), the stretch of chance around it.
BELOW, HALF = 0.12, 0.09


def funnel_chart(found: Funnel, *, id: str, label: str) -> theme.Chart | None:
    """One row a clinician, by name; hollow where too few failures are expected to judge. None without a multiple."""
    drawn = [r for r in found.rows if r.ratio is not None]
    if not drawn:
        return None
    ends = [v for r in drawn for v in (r.ratio, r.high_99_8) if v is not None]
    right = min(nice_top(ends, least=2.0), FARTHEST)
    figure, height = rows_figure(
        [Row(r.name, (_dot(r, right),)) for r in drawn],
        title="Failed, as a multiple of what colleagues lead one to expect", span=(0.0, right), line=1.0,
    )  # fmt: skip
    for place, row in enumerate(drawn):
        y = -float(place) - BELOW
        if row.low_99_8 is None or row.low_95 is None:
            continue
        figure.add_shape(
            type="line", xref="x", yref="y", x0=row.low_99_8, x1=_end(row.high_99_8, right), y0=y, y1=y, layer="below",
            line={"color": theme.MUTED, "width": 1.5},
        )  # fmt: skip
        figure.add_shape(
            type="rect", xref="x", yref="y", x0=row.low_95, x1=_end(row.high_95, right), y0=y - HALF, y1=y + HALF,
            layer="below", fillcolor=theme.EXPECTED, line={"color": theme.MUTED, "width": 1},
        )  # fmt: skip
    return theme.chart(figure, id=id, label=label, height=height)


def _dot(row: FunnelRow, right: float) -> Mark:
    assert row.ratio is not None
    inside = row.standing in ("within", "too_few")
    look = theme.Look(theme.ACCENT, "solid", "none", "circle" if inside else "diamond")
    return Mark(
        min(row.ratio, right), None, None, look, "%{x:.2f} times the expected", hollow=row.standing == "too_few"
    )


def _end(value: float | None, right: float) -> float:
    return right if value is None else min(value, right)
