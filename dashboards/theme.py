"""The look of every chart, and the one function that makes a chart fit for a page.

Colours are written out as hex. Two groups differ in line as well as in colour, so that a black-and-white print tells
them apart; every line colour has a contrast of at least 4.5 to 1 on white.
"""

import html
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dashboards.downloads import Cell, Sheet, data_address, sheet_of_traces
from dashboards.drawing import Drawing

INK = "#1d2b2f"
MUTED = "#53636a"
RULE = "#d5dcde"
GRID = "#e6ebec"
WASH = "#f3f6f6"
ZONE = "#e4e8ea"  # a difference too small to matter, and nothing else
EXPECTED = "#d5e8e9"  # what the whole practice, or chance, leads one to expect
ACCENT = "#14565c"
BLUE = "#0072b2"
RUST = "#b84c00"
SLATE = "#5a666b"
PURPLE = "#7a3b78"
GREEN = "#2e6b34"
OCHRE = "#8a5a00"
PALE = "#b9c3c6"
WHITE = "#ffffff"
# Every colour of pages and charts as it is where the reader prefers a dark screen; paper is always light.
DARK = {
    INK: "#e3eaec",
    MUTED: "#a5b3b8",
    RULE: "#3a464a",
    GRID: "#2a3539",
    WASH: "#1d2629",
    ZONE: "#2f3a3e",
    EXPECTED: "#1f4145",
    ACCENT: "#6fc3cb",
    BLUE: "#5db4ea",
    RUST: "#f29355",
    SLATE: "#a3b0b5",
    PURPLE: "#cf93cc",
    GREEN: "#7cc385",
    OCHRE: "#d9b15a",
    PALE: "#66757a",
    WHITE: "#141a1c",
}
FONT = "'Segoe UI', 'Helvetica Neue', Helvetica, Arial, sans-serif"


@dataclass(frozen=True)
class Look:
    """How one group is drawn, on pages and slides: colour, Plotly dash, SVG dash, marker."""

    colour: str
    dash: str
    svg_dash: str
    symbol: str


@dataclass(frozen=True)
class LegendItem:
    """One line of a legend in HTML: a group's label beside its line; `marked` where the line carries markers."""

    label: str
    look: Look
    marked: bool = False


LOOKS = (
    Look(BLUE, "solid", "none", "circle"),
    Look(RUST, "dash", "7 4", "square"),
    Look(SLATE, "dot", "2 4", "diamond"),
    Look(PURPLE, "dashdot", "8 3 2 3", "triangle-up"),
    Look(GREEN, "longdash", "12 4", "cross"),
)
HYPEREMIC = Look(OCHRE, "dash", "7 4", "triangle-down")
LATER = Look(INK, "dash", "7 4", "x")
# One meaning a colour, on every page: a root canal before the seat is blue, one through the crown rust, a living pulp
# grey, a crown after the root canal green, none so far purple, a hyperemic pulp ochre.
FIXED = {
    "before_seat": LOOKS[0],
    "endo_first": LOOKS[0],
    "through_crown": LOOKS[1],
    "vital": LOOKS[2],
    "seat_vital": LOOKS[2],
    "normal": LOOKS[2],
    "hyperemic": HYPEREMIC,
    "crowned": LOOKS[4],
    "crowned_soon": LOOKS[4],
    "crowned_later": LATER,
    "not_crowned": LOOKS[3],
    "not_yet_crowned": LOOKS[3],
}
# What is no group of a comparison: an early figure beside a later one, ours beside a published one. No colour of a
# group, so that a colour keeps its meaning.
NEUTRAL = (Look(ACCENT, "solid", "none", "circle"), Look(MUTED, "dash", "7 4", "square"))
# A clinician's own teeth, and the whole practice.
OWN = Look(ACCENT, "solid", "none", "circle")
ALL = Look(INK, "dot", "2 4", "diamond")

# The toolbar's upload button is on by default in plotly.js 4: it would post the chart to a server.
CONFIG: dict[str, Any] = {
    "displayModeBar": False,
    "displaylogo": False,
    "showSendToCloud": False,
    "showEditInChartStudio": False,
    "plotlyServerURL": "",
    "topojsonURL": "",
    "scrollZoom": False,
    "doubleClick": False,
    "responsive": True,
}

_AXIS = {
    "fixedrange": True,
    "gridcolor": GRID,
    "linecolor": RULE,
    "tickcolor": RULE,
    "zeroline": False,
    "automargin": False,
    "ticks": "outside",
    "ticklen": 4,
    "title": {"standoff": 8, "font": {"size": 13, "color": MUTED}},
    "tickfont": {"size": 13, "color": INK},
}
TEMPLATE: dict[str, Any] = {
    "layout": {
        "font": {"family": FONT, "size": 13, "color": INK},
        "paper_bgcolor": WHITE,
        "plot_bgcolor": WHITE,
        "showlegend": False,
        "hovermode": "closest",
        "dragmode": False,
        "hoverlabel": {"bgcolor": WHITE, "bordercolor": RULE, "font": {"family": FONT, "color": INK, "size": 13}},
        "margin": {"l": 88, "r": 16, "t": 12, "b": 48, "autoexpand": False},
        "xaxis": _AXIS,
        "yaxis": _AXIS,
    }
}


@dataclass(frozen=True)
class Chart:
    """A drawn figure ready for a page: what `page.render` places and the boot script draws.

    `sheet` holds what it shows, to be saved as CSV.
    """

    id: str
    label: str
    height: int
    spec: dict[str, Any]
    sheet: Sheet

    @property
    def json(self) -> str:
        """The figure as JSON that cannot end the script element it stands in."""
        return script_json(self.spec)

    @property
    def name(self) -> str:
        """A short name: what the axes say."""
        axes = [self.spec["layout"].get(axis, {}).get("title", {}).get("text", "") for axis in ("yaxis", "xaxis")]
        return html.unescape(", by ".join(text for text in axes if text)) or self.id

    @property
    def data_address(self) -> str:
        """The sheet as the address of a CSV file that stands in the page."""
        return data_address(self.sheet)


def look(name: str, index: int) -> Look:
    """The look of a group: fixed for the groups of the main question, else by its place in the comparison."""
    return FIXED.get(name, LOOKS[index % len(LOOKS)])


def chart(figure: Drawing, *, id: str, label: str, height: int) -> Chart:
    """Make every chart of every page: our template, no toolbar, no upload, a name for screen readers.

    `label` says in a sentence what the chart shows; `id` becomes the element's id; `height` is in CSS pixels. The data
    to be saved are those of `keep_data`, else what the traces hold.
    """
    layout = {**figure.layout, "template": TEMPLATE, "height": height, "autosize": True}
    sheet = figure.sheet or sheet_of_traces(figure.data)
    return Chart(id, label, height, {"data": figure.data, "layout": layout, "config": CONFIG}, sheet)


def keep_data(figure: Drawing, heads: Sequence[str], rows: Sequence[Sequence[Cell]]) -> None:
    """Give a figure the data that its page offers as CSV: all of them, also what the axes cut off."""
    figure.sheet = Sheet(tuple(heads), tuple(tuple(row) for row in rows))


def script_json(value: Any) -> str:
    """JSON for a script element: no `<`, `>` or `&`, and no line separators that end a statement."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def ink(colour: str) -> str:
    """A colour of a drawing in the page itself, as a style: another one on a dark screen."""
    return f"var(--c{colour[1:]}, {colour})"


def colours() -> str:
    """The style rules that `ink` needs, light and dark."""
    light = "".join(f"--c{c[1:]}: {c}; " for c in DARK)
    dark = "".join(f"--c{c[1:]}: {d}; " for c, d in DARK.items())
    return f":root {{ {light}}}\n@media screen and (prefers-color-scheme: dark) {{ :root {{ {dark}}} }}\n"


def literal(text: str) -> str:
    """Text of the practice's files for a chart: Plotly reads tags and entities, so they are written out."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def faded(colour: str, alpha: float) -> str:
    """A hex colour with an opacity, as Plotly takes it for fills."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},{alpha:g})"
