"""What teeth were lost to over time: one area a cause, stacked, so that the upper edge is all teeth lost."""

from __future__ import annotations

import math
from collections.abc import Sequence

import plotly.graph_objects as go

from dashboards import theme
from pipeline.results_healing import LossByCause, LossGroup

HEIGHT, TOP, BOTTOM, RIGHT = 380, 12, 48, 110
LETTER = 18  # px between two names
# Colours and patterns in the order of the causes: a print without colour tells neighbours apart.
FILLS = (
    (theme.BLUE, ""),
    ("#2e6b34", "\\"),
    (theme.RUST, "/"),
    ("#7a3b78", "x"),
    (theme.SLATE, "-"),
    ("#b9c3c6", "."),
)


def loss_areas(
    group: LossGroup, *, names: dict[str, str], since: str, noun: str, id: str, label: str
) -> theme.Chart | None:
    """The areas of one group, straight between its points; None where it has fewer than two points or no loss.

    `names` are short words by cause.
    """
    drawn = [(i, c) for i, c in enumerate(group.causes) if any(p.estimate > 0 for p in c.points)]
    if len(group.total.points) < 2 or not drawn:
        return None
    figure, years = go.Figure(), [p.years for p in group.total.points]
    for i, cause in drawn:
        colour, pattern = FILLS[i % len(FILLS)]
        name = _name(cause, names)
        figure.add_scatter(
            x=years, y=[100 * p.estimate for p in cause.points], stackgroup="lost", mode="lines",
            name=name, line={"width": 1, "color": theme.INK},
            fillcolor=theme.faded(colour, 0.85),
            fillpattern={"shape": pattern, "bgcolor": theme.faded(colour, 0.85), "fgcolor": "#ffffff", "size": 7,
                         "solidity": 0.22},
            hovertemplate=f"{name}: %{{y:.1f}} of 100 by %{{x:.1f}} years<extra></extra>",
        )  # fmt: skip
    top = max(2.0, math.ceil(100 * group.total.points[-1].estimate * 1.08 / 2) * 2)
    ticks = [y for y in years if float(y).is_integer()]
    figure.update_xaxes(
        range=[years[0], years[-1]], tickmode="array", tickvals=ticks, ticktext=[f"{y:g}" for y in ticks],
        title={"text": f"Years since {since}"}, showgrid=False,
    )  # fmt: skip
    figure.update_yaxes(range=[0, top], title={"text": f"Lost, of 100 {noun}"})
    figure.update_layout(margin={"l": 88, "r": RIGHT, "t": TOP, "b": BOTTOM, "autoexpand": False})
    _name_areas(figure, [c for _, c in drawn], names, years[-1], top)
    rows = [
        (names.get(c.cause, c.cause), p.years, 100 * p.estimate, 100 * p.ci_low, 100 * p.ci_high)
        for c in (*group.causes, group.total)
        for p in c.points
    ]
    theme.keep_data(figure, ("cause", "years", "lost of 100", "low", "high"), rows)
    return theme.chart(figure, id=id, label=label, height=HEIGHT)


def _name_areas(
    figure: go.Figure, causes: Sequence[LossByCause], names: dict[str, str], last: float, top: float
) -> None:
    """Names beside the areas at the right edge, pushed apart where areas are thin."""
    per_100 = (HEIGHT - TOP - BOTTOM) / top
    middles, below = [], 0.0
    for cause in causes:
        share = 100 * cause.points[-1].estimate
        middles.append((below + share / 2) * per_100)
        below += share
    places: list[float] = []
    for middle in middles:
        places.append(max(middle, places[-1] + LETTER) if places else max(middle, LETTER / 2))
    for cause, place in zip(causes, places, strict=True):
        figure.add_annotation(
            x=last, y=place / per_100, xanchor="left", yanchor="middle", xshift=6, showarrow=False,
            text=_name(cause, names), font={"size": 13},
        )  # fmt: skip


def _name(cause: LossByCause, names: dict[str, str]) -> str:
    return theme.literal(names.get(cause.cause, cause.cause))
