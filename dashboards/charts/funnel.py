"""Clinicians against what is expected of their teeth: dots within the limits that chance alone leaves."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from dashboards import theme
from dashboards.charts.rows import nice_top
from pipeline.results_monitoring import Funnel, FunnelRow

HEIGHT = 380
# From so many expected failures on for everyone, the wide mouth of the funnel holds nobody and is left out.
FAR = 20.0


def funnel_chart(found: Funnel, *, id: str, label: str) -> theme.Chart | None:
    """One dot a clinician, hollow where too few failures are expected to judge. None without an expected failure."""
    drawn = [r for r in found.rows if r.ratio is not None]
    if not drawn:
        return None
    right = nice_top([1.12 * max(r.expected for r in drawn)])
    least = min(r.expected for r in drawn)
    left = 0.6 * least if least > FAR else 0.0
    within = [limit for limit in found.limits if left <= limit.expected <= right]
    ratios = [r.ratio for r in drawn if r.ratio is not None]
    edge = within[0] if left else None
    top = min(max(1.1 * edge.high_99_8 if edge else 2.5, 1.15 * max(ratios)), 6.0)
    bottom = min(0.9 * edge.low_99_8, 0.85 * min(ratios)) if edge else 0.0
    figure = go.Figure()
    x = [limit.expected for limit in within]
    for low, high, dash, text in (("low_95", "high_95", "dash", "95 %"), ("low_99_8", "high_99_8", "solid", "99.8 %")):
        for name in (low, high):
            figure.add_scatter(
                x=x, y=[_seen(getattr(limit, name), top) for limit in within], mode="lines", hoverinfo="skip",
                line={"color": theme.MUTED, "width": 1.5, "dash": dash},
            )  # fmt: skip
        figure.add_annotation(
            x=x[-1], y=getattr(within[-1], high), text=text, showarrow=False, xanchor="right", yanchor="bottom",
            font={"size": 12, "color": theme.MUTED},
        )  # fmt: skip
    figure.add_hline(y=1, line={"color": theme.INK, "width": 1.5})
    places = _places(drawn, near=0.035 * (right - left))
    for row in drawn:
        assert row.ratio is not None
        few = row.standing == "too_few"
        figure.add_scatter(
            x=[row.expected], y=[min(row.ratio, top)], mode="markers+text", text=[theme.literal(row.name)],
            textposition=places[row.name], textfont={"size": 12}, cliponaxis=False,
            hovertemplate="%{y:.2f} times the expected %{x:.1f}<extra></extra>",
            marker={"size": 10, "symbol": "circle" if row.standing in ("within", "too_few") else "diamond",
                    "color": "#ffffff" if few else theme.ACCENT, "line": {"color": theme.ACCENT, "width": 2}},
        )  # fmt: skip
    figure.update_xaxes(title={"text": "Failures expected"}, range=[left, right])
    figure.update_yaxes(title={"text": "Failed, as a multiple of expected"}, range=[bottom, top])
    figure.update_layout(margin={"l": 64, "r": 16, "t": 16, "b": 48, "autoexpand": False})
    return theme.chart(figure, id=id, label=label, height=HEIGHT)


def _seen(value: float, top: float) -> float | None:
    return value if value <= top else None


def _places(rows: Sequence[FunnelRow], *, near: float) -> dict[str, str]:
    """Where each name stands: above or below its dot, and beside it where a neighbour's name would be in the way."""
    places: dict[str, str] = {}
    for side, usual in ((True, "top center"), (False, "bottom center")):
        last, crowded = float("-inf"), 0
        mine = [r for r in rows if r.ratio is not None and (r.ratio >= 1) == side]
        for row in sorted(mine, key=lambda r: (r.expected, r.name)):
            crowded = crowded + 1 if row.expected - last < near else 0
            places[row.name] = (usual, "middle right")[crowded % 2]
            last = row.expected
    return places
