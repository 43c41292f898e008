"""Stacked areas over years, each named beside its right edge: what the charts of parts of a whole share."""

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import theme
from dashboards.drawing import Drawing

HEIGHT, TOP, BOTTOM = 380, 12, 48
LETTER = 18  # px between two names
MOST_TICKS = 7


@dataclass(frozen=True)
class Area:
    """One area: what it is called and said to be, and its height of 100 at each year.

    Colour and pattern together tell it from its neighbours on a print without colour.
    """

    name: str
    heights: tuple[float, ...]
    colour: str
    pattern: str
    hover: str
    label: str = ""  # what stands beside it; its name where empty


def stacked(areas: Sequence[Area], years: Sequence[float], *, top: float, since: str, said: str, right: int) -> Drawing:
    """The areas from the bottom up, straight between the years; `right` px hold the names."""
    figure = Drawing()
    for area in areas:
        figure.add_scatter(
            x=list(years), y=list(area.heights), stackgroup="lost", mode="lines",
            name=area.name, line={"width": 1, "color": theme.INK},
            fillcolor=theme.faded(area.colour, 0.85),
            fillpattern={"shape": area.pattern, "bgcolor": theme.faded(area.colour, 0.85), "fgcolor": "#ffffff",
                         "size": 7, "solidity": 0.22},
            hovertemplate=area.hover,
        )  # fmt: skip
    ticks = [y for y in years if float(y).is_integer()]
    ticks = ticks if len(ticks) <= MOST_TICKS else [y for y in ticks if y % 2 == 0]
    figure.update_xaxes(
        range=[years[0], years[-1]], tickmode="array", tickvals=ticks, ticktext=[f"{y:g}" for y in ticks], tickangle=0,
        title={"text": f"Years since {since}"}, showgrid=False,
    )  # fmt: skip
    figure.update_yaxes(range=[0, top], title={"text": said})
    figure.update_layout(margin={"l": 88, "r": right, "t": TOP, "b": BOTTOM, "autoexpand": False})
    _name_areas(figure, areas, years[-1], top)
    return figure


def _name_areas(figure: Drawing, areas: Sequence[Area], last: float, top: float) -> None:
    """Names beside the areas at the right edge, pushed apart where areas are thin."""
    per_100 = (HEIGHT - TOP - BOTTOM) / top
    middles, below = [], 0.0
    for area in areas:
        middles.append((below + area.heights[-1] / 2) * per_100)
        below += area.heights[-1]
    places: list[float] = []
    for middle in middles:
        places.append(max(middle, places[-1] + LETTER) if places else max(middle, LETTER / 2))
    highest = top * per_100 - LETTER / 2
    for i in range(len(places) - 1, -1, -1):
        if places[i] <= highest:
            break
        places[i], highest = highest, highest - LETTER
    for area, place in zip(areas, places, strict=True):
        figure.add_annotation(
            x=last, y=place / per_100, xanchor="left", yanchor="middle", xshift=6, showarrow=False,
            text=area.label or area.name, font={"size": 13},
        )  # fmt: skip
