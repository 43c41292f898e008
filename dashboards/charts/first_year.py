"""Failures within a year, by quarter, between the limits that chance alone leaves."""

import statistics

from dashboards import theme
from dashboards.charts.rows import nice_top
from dashboards.drawing import Drawing
from pipeline.results.monitoring import FirstYear

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
