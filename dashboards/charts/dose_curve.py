"""Adjusted hazard ratio along a dose, with its range, on a logarithmic axis."""

import math
from collections.abc import Sequence

from dashboards import theme
from dashboards.charts.contrasts import ticks_of
from dashboards.drawing import Drawing
from dashboards.formats import known
from pipeline.results.technique import DosePoint

HEIGHT = 300
FEWEST = 2


def dose_chart(
    points: Sequence[DosePoint], *, unit: str, reference: float | None, id: str, label: str
) -> theme.Chart | None:
    """The curve and its band; None with fewer than two points. `reference` is the dose at which it is 1."""
    drawn = [p for p in points if known(p.hazard_ratio) and p.hazard_ratio > 0 and known(p.ci_low) and known(p.ci_high)]
    if len(drawn) < FEWEST:
        return None
    doses = [round(p.dose, 4) for p in drawn]
    shown = ticks_of([p.hazard_ratio for p in drawn])
    bottom, top = shown[0], shown[-1]
    figure = Drawing()
    band = {"mode": "lines", "line": {"width": 0}, "hoverinfo": "skip"}
    figure.add_scatter(x=doses, y=[_cut(p.ci_low, bottom, top) for p in drawn], **band)
    figure.add_scatter(
        x=doses, y=[_cut(p.ci_high, bottom, top) for p in drawn], fill="tonexty",
        fillcolor=theme.faded(theme.ACCENT, 0.13), **band,
    )  # fmt: skip
    figure.add_scatter(
        x=doses, y=[_cut(p.hazard_ratio, bottom, top) for p in drawn], mode="lines",
        line={"color": theme.ACCENT, "width": 2.5}, hovertemplate="%{y:.2f} at %{x:.3g}<extra></extra>",
    )  # fmt: skip
    figure.add_shape(
        type="line", xref="paper", yref="y", x0=0, x1=1, y0=1, y1=1, line={"color": theme.INK, "width": 1.5}
    )
    if reference is not None and doses[0] <= reference <= doses[-1]:
        figure.add_shape(
            type="line", xref="x", yref="paper", x0=reference, x1=reference, y0=0, y1=1,
            line={"color": theme.MUTED, "width": 1, "dash": "dot"},
        )  # fmt: skip
    figure.update_xaxes(title={"text": theme.literal(f"In {unit}")}, range=[doses[0], doses[-1]])
    figure.update_yaxes(
        type="log", title={"text": "Hazard ratio"}, tickmode="array", tickvals=shown,
        ticktext=[f"{t:g}" for t in shown], autorange=False, range=[math.log10(bottom), math.log10(top)],
    )  # fmt: skip
    rows = [(p.dose, p.hazard_ratio, p.ci_low, p.ci_high) for p in drawn]
    theme.keep_data(figure, (unit, "hazard ratio", "low", "high"), rows)
    return theme.chart(figure, id=id, label=label, height=HEIGHT)


def _cut(value: float, bottom: float, top: float) -> float:
    """What runs past the axis is cut there; the table beside the chart has it whole."""
    return round(min(max(value, bottom), top), 5)
