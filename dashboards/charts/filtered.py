"""The curve of the teeth that were chosen, beside that of all: what the page's choosers redraw."""

from dashboards import theme
from dashboards.charts.rows import nice_top
from dashboards.drawing import Drawing
from pipeline.results.owner import Part

HEIGHT = 330


def filtered_chart(part: Part, years: tuple[float, ...], *, top: float, id: str, label: str) -> theme.Chart:
    """Failures of 100 at each year since the start, of all teeth of one outcome, ready for another choice."""
    at = [0.0, *years[: len(part.survival)]]
    failed, low, high = (
        [0.0, *(100 * (1 - v) for v in values)] for values in (part.survival, part.ci_high, part.ci_low)
    )
    look, other = theme.OWN, theme.ALL
    figure = Drawing()
    figure.add_scatter(x=at, y=high, mode="lines", line={"width": 0}, hoverinfo="skip")
    figure.add_scatter(
        x=at, y=low, mode="lines", line={"width": 0}, hoverinfo="skip", fill="tonexty",
        fillcolor=theme.faded(look.colour, 0.18),
    )  # fmt: skip
    figure.add_scatter(
        x=at, y=failed, mode="lines+markers", line={"color": look.colour, "width": 3},
        marker={"size": 8, "symbol": look.symbol}, hovertemplate="%{x} years: %{y:.0f} of 100<extra>chosen</extra>",
    )  # fmt: skip
    figure.add_scatter(
        x=at, y=failed, mode="lines", line={"color": other.colour, "width": 2, "dash": other.dash},
        hovertemplate="%{x} years: %{y:.0f} of 100<extra>all</extra>",
    )  # fmt: skip
    figure.update_xaxes(title={"text": "Years since the start"}, range=[0, max(years) + 0.3], dtick=2)
    figure.update_yaxes(title={"text": "Failed, lost or treated again, of 100"}, range=[0, nice_top([top])])
    figure.update_layout(margin={"l": 64, "r": 16, "t": 12, "b": 48, "autoexpand": False})
    theme.keep_data(
        figure, ("years", "still followed", "of 100", "low", "high"),
        [(y, n, round(f, 4), round(a, 4), round(b, 4))
         for y, n, f, a, b in zip(at[1:], part.followed, failed[1:], low[1:], high[1:], strict=True)],
    )  # fmt: skip
    return theme.chart(figure, id=id, label=label, height=HEIGHT)
