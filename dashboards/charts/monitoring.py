"""What is watched: failures within a year by quarter, the running sum month by month, clinicians beside colleagues."""

import statistics

from dashboards import theme
from dashboards.charts.rows import Mark, Row, nice_top, rows_figure
from dashboards.drawing import Drawing
from pipeline.results.monitoring import FirstYear, Funnel, FunnelRow, Running

HEIGHT = 300
TICKS = 7


def first_year_chart(found: FirstYear, *, id: str, label: str) -> theme.Chart | None:
    """Dots by quarter; those whose year is not over have none yet. None without a complete quarter."""
    shares = [100 * r.share for r in found.rows if r.share is not None]
    if not shares or found.overall is None:
        return None
    x = list(range(len(found.rows)))
    highs = [None if r.limit_high is None else 100 * r.limit_high for r in found.rows]
    lows = [None if r.limit_low is None else 100 * r.limit_low for r in found.rows]
    # A quarter with a handful of teeth has limits so wide that they would flatten all others.
    known_highs = [h for h in highs if h is not None]
    top = nice_top([*shares, 1.3 * statistics.median(known_highs) if known_highs else 0.0])
    figure = Drawing()
    for line in (highs, lows):
        figure.add_scatter(
            x=x, y=[None if v is None or v > top else v for v in line], mode="lines", hoverinfo="skip",
            line={"color": theme.MUTED, "width": 1.5, "shape": "hvh"},
        )  # fmt: skip
    figure.add_hline(y=100 * found.overall, line={"color": theme.INK, "width": 1.5})
    figure.add_scatter(
        x=x, y=[None if r.share is None else 100 * r.share for r in found.rows], mode="markers",
        customdata=[r.quarter for r in found.rows], hovertemplate="%{customdata}: %{y:.1f} of 100<extra></extra>",
        cliponaxis=False,
        marker={"size": [12 if r.outside else 7 for r in found.rows],
                "symbol": ["diamond" if r.outside else "circle" for r in found.rows], "color": theme.ACCENT},
    )  # fmt: skip
    firsts = [i for i, r in enumerate(found.rows) if r.quarter.endswith("Q1")]
    firsts = firsts[:: max(1, -(-len(firsts) // TICKS))] or x[:1]
    texts = [found.rows[i].quarter[:4] for i in firsts]
    figure.update_xaxes(range=[-0.7, len(x) - 0.3], showgrid=False, tickmode="array", tickvals=firsts, ticktext=texts)
    figure.update_yaxes(title={"text": "Failed within a year, of 100"}, range=[0, top])
    figure.update_layout(margin={"l": 64, "r": 16, "t": 12, "b": 36, "autoexpand": False})
    return theme.chart(figure, id=id, label=label, height=HEIGHT)


def running_chart(found: Running, *, id: str, label: str) -> theme.Chart | None:
    """A line that climbs while fewer fail than expected. None with fewer than two months."""
    if len(found.months) < 2:
        return None
    x = [f"{m.month}-01" for m in found.months]
    gaps = [m.gap for m in found.months]
    span = max(5.0, 1.15 * max(abs(g) for g in gaps))
    figure = Drawing()
    figure.add_hline(y=0, line={"color": theme.INK, "width": 1.5})
    figure.add_scatter(
        x=x, y=gaps, mode="lines", line={"color": theme.ACCENT, "width": 2.5, "shape": "hv"},
        hovertemplate="%{x|%B %Y}: %{y:+.1f}<extra></extra>",
    )  # fmt: skip
    signals = [m for m in found.months if m.signal]
    if signals:
        figure.add_scatter(
            x=[f"{m.month}-01" for m in signals], y=[m.gap for m in signals], mode="markers+text",
            text=["signal"] * len(signals), textposition="top center", textfont={"size": 12},
            hovertemplate="signal in %{x|%B %Y}<extra></extra>",
            marker={"size": 11, "symbol": "diamond", "color": theme.INK},
        )  # fmt: skip
    figure.update_xaxes(type="date", showgrid=False, tickformat="%Y", nticks=8)
    figure.update_yaxes(title={"text": "Above: fewer failures; below: more"}, range=[-span, span])
    figure.update_layout(margin={"l": 64, "r": 16, "t": 12, "b": 36, "autoexpand": False})
    return theme.chart(figure, id=id, label=label, height=HEIGHT)


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
