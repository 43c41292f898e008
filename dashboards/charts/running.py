"""Expected minus observed failures, added up month by month, with the months in which the watch signals."""

from dashboards import theme
from dashboards.drawing import Drawing
from pipeline.results.monitoring import Running

HEIGHT = 300


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
