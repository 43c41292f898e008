"""Stacked areas over years, each named beside its right edge: what teeth were lost to, and what becomes of crowns."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import theme
from dashboards.drawing import Drawing
from dashboards.words.states import NAMES, SHORT, SINCE
from pipeline.results.healing import LossGroup
from pipeline.results.states import STATES, CrownStates

HEIGHT, TOP, BOTTOM = 380, 12, 48
LETTER = 18  # px between two names
MOST_TICKS = 7


@dataclass(frozen=True)
class Area:
    """One area: its name, its height of 100 at each year, and its look: colour and pattern tell it on any print."""

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


LOSS_RIGHT = 110
# Greys and patterns in the order of the causes: neighbours differ on any print, and no cause has a group’s colour.
LOSS_FILLS = (
    (theme.INK, ""),
    (theme.PALE, "\\"),
    (theme.MUTED, "/"),
    (theme.RULE, "x"),
    (theme.MUTED, "-"),
    (theme.ZONE, "."),
)


def loss_areas(
    group: LossGroup, *, names: dict[str, str], since: str, noun: str, id: str, label: str
) -> theme.Chart | None:
    """The areas of one group, `names` by cause; None where it has fewer than two points or no loss."""
    drawn = [(i, c) for i, c in enumerate(group.causes) if any(p.estimate > 0 for p in c.points)]
    if len(group.total.points) < 2 or not drawn:
        return None
    years = [p.years for p in group.total.points]
    areas = [
        Area(
            name := theme.literal(names.get(c.cause, c.cause)),
            tuple(100 * p.estimate for p in c.points),
            *LOSS_FILLS[i % len(LOSS_FILLS)],
            f"{name}: %{{y:.1f}} of 100 by %{{x:.1f}} years<extra></extra>",
        )
        for i, c in drawn
    ]
    top = max(2.0, math.ceil(100 * group.total.points[-1].estimate * 1.08 / 2) * 2)
    figure = stacked(areas, years, top=top, since=since, said=f"Lost, of 100 {noun}", right=LOSS_RIGHT)
    rows = [
        (names.get(c.cause, c.cause), p.years, 100 * p.estimate, 100 * p.ci_low, 100 * p.ci_high)
        for c in (*group.causes, group.total)
        for p in c.points
    ]
    theme.keep_data(figure, ("cause", "years", "lost of 100", "low", "high"), rows)
    return theme.chart(figure, id=id, label=label, height=HEIGHT)


STATE_RIGHT = 104
STATE_FILLS = {"vital": (theme.PALE, ""), "opened": (theme.RUST, "/"), "lost": (theme.INK, "x")}


def state_areas(states: CrownStates, *, id: str, label: str) -> theme.Chart | None:
    """The areas as far as enough crowns are followed, each with its number at the end; None of under two points."""
    points = states.points
    if len(points) < 2:
        return None
    areas = [
        Area(
            SHORT[state],
            tuple(100 * p.share[i] for p in points),
            *STATE_FILLS[state],
            f"{NAMES[state]}: %{{y:.1f}} of 100 after %{{x:g}} years<extra></extra>",
            f"{SHORT[state]}: {points[-1].per_100[i]}",
        )
        for i, state in enumerate(STATES)
    ]
    figure = stacked(areas, [p.years for p in points], top=100, since=SINCE, said="Of 100 crowns", right=STATE_RIGHT)
    rows = [
        (NAMES[state], p.years, 100 * p.share[i], 100 * p.ci_low[i], 100 * p.ci_high[i], sum(p.followed))
        for i, state in enumerate(STATES)
        for p in points
    ]
    theme.keep_data(figure, ("state", "years", "of 100 crowns", "low", "high", "followed in all"), rows)
    return theme.chart(figure, id=id, label=label, height=HEIGHT)
