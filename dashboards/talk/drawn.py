"""What a slide can hold beside text: native tables, charts and shapes that a presenter can edit, each described.

Lengths are inches from the upper left corner of the slide; type sizes are points.
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

from lxml import etree
from pptx.chart.data import CategoryChartData
from pptx.dml.color import RGBColor
from pptx.enum.chart import XL_TICK_LABEL_POSITION
from pptx.enum.dml import MSO_LINE
from pptx.enum.shapes import MSO_CONNECTOR, MSO_SHAPE
from pptx.enum.text import MSO_ANCHOR, PP_ALIGN
from pptx.oxml import parse_xml
from pptx.oxml.ns import nsdecls, qn
from pptx.util import Inches, Pt

from dashboards.talk import fit
from dashboards.theme import INK, RULE, WHITE, Look

DASHES = {
    "solid": MSO_LINE.SOLID,
    "dash": MSO_LINE.DASH,
    "dot": MSO_LINE.ROUND_DOT,
    "dashdot": MSO_LINE.DASH_DOT,
    "longdash": MSO_LINE.LONG_DASH,
}
PLAIN_GRID = "{2D5ABB26-0587-4C30-8999-92F81FD0307C}"  # the library's own default style of tables is a coloured one
_SIDE, _ABOVE = Inches(fit.SIDES / 2), Inches(fit.MARGIN / 2)
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
BAND = 18_000  # opacity of a band, in thousandths of a percent


@dataclass(frozen=True)
class Box:
    """A place on a slide."""

    left: float
    top: float
    width: float
    height: float

    @property
    def bottom(self) -> float:
        """Its lower edge."""
        return self.top + self.height

    @property
    def right(self) -> float:
        """Its right edge."""
        return self.left + self.width

    def inches(self) -> tuple[Any, Any, Any, Any]:
        """As the library takes it."""
        return Inches(self.left), Inches(self.top), Inches(self.width), Inches(self.height)


@dataclass(frozen=True)
class Series:
    """One line or set of columns; `low` and `high` bound its band where both are known."""

    name: str
    look: Look
    values: tuple[float | None, ...]
    low: tuple[float | None, ...] = ()
    high: tuple[float | None, ...] = ()

    @property
    def lined(self) -> bool:
        """Whether it has a line; else it is its band alone."""
        return any(v is not None for v in self.values)

    def end(self) -> tuple[int, float] | None:
        """Place and value of the last point, of a band alone the middle of its end."""
        ends = zip(self.low, self.high, strict=True)
        middles = [None if low is None or high is None else (low + high) / 2 for low, high in ends]
        drawn = list(enumerate(self.values if self.lined else middles))
        return next(((i, v) for i, v in reversed(drawn) if v is not None), None)


def on_grid(
    name: str, look: Look, points: Mapping[int, tuple[float | None, float | None, float | None]], grid: Sequence[int]
) -> Series:
    """A curve as a series: its values with their ends by month on the grid; nothing where there is no point."""

    def at(end: int) -> tuple[float | None, ...]:
        return tuple(points[m][end] if m in points else None for m in grid)

    return Series(name, look, at(0), at(1), at(2))


def add_table(
    slide: Any, box: Box, rows: Sequence[Sequence[str]], *, widths: Sequence[float], size: int, alt: str,
    left: Iterable[int] = (0,), centred: bool = False, colours: Sequence[str] = (),
) -> float:  # fmt: skip
    """A native table whose first row is its head; returns the height it takes. `colours` are those of rows' names."""
    heights = [fit.row_height(r, widths, size, bold=i == 0) for i, r in enumerate(rows)]
    frame = slide.shapes.add_table(1, 1, *box.inches())
    describe(slide, frame, "Table", alt)
    across, high = [Inches(width) for width in widths], [Inches(height) for height in heights]
    aligned = set(left)
    sides = ["l" if c in aligned else "ctr" if centred else "r" for c in range(len(widths))]
    inks = [INK, *(colours or [INK] * (len(rows) - 1))]
    # Written out: made call by call, cells took as long as all the rest of a deck.
    body = "".join(
        f'<a:tr h="{height}">'
        + "".join(
            _cell(text, size, head=r == 0, side=side, colour=INK if c else inks[r])
            for c, (text, side) in enumerate(zip(cells, sides, strict=True))
        )
        + "</a:tr>"
        for r, (cells, height) in enumerate(zip(rows, high, strict=True))
    )
    columns = "".join(f'<a:gridCol w="{width}"/>' for width in across)
    style = f'<a:tblPr firstRow="1"><a:tableStyleId>{PLAIN_GRID}</a:tableStyleId></a:tblPr>'
    table = parse_xml(f"<a:tbl {nsdecls('a')}>{style}<a:tblGrid>{columns}</a:tblGrid>{body}</a:tbl>")
    former = frame.table._tbl
    former.getparent().replace(former, table)
    frame.width, frame.height = sum(across), sum(high)
    return sum(heights)


def _cell(text: str, size: int, *, head: bool, side: str, colour: str) -> str:
    """A cell as the format writes it; its text may have several lines."""
    ink = f'<a:solidFill><a:srgbClr val="{colour[1:].upper()}"/></a:solidFill>'
    style = f'<a:rPr sz="{Pt(size).centipoints}" b="{head:d}">{ink}</a:rPr>'
    lines = [f"<a:r>{style}<a:t>{escape(_plain(line))}</a:t></a:r>" if line else "" for line in text.split("\n")]
    paragraphs = "".join(f'<a:p><a:pPr algn="{side}"/>{line}</a:p>' for line in lines)
    margins = f'marL="{_SIDE}" marR="{_SIDE}" marT="{_ABOVE}" marB="{_ABOVE}"'
    bare = "".join(f'<a:{tag} w="0"><a:noFill/></a:{tag}>' for tag in ("lnL", "lnR", "lnT"))
    rule = f'<a:srgbClr val="{(INK if head else RULE)[1:].upper()}"/>'
    return (
        f"<a:tc><a:txBody><a:bodyPr/><a:lstStyle/>{paragraphs}</a:txBody>"
        f'<a:tcPr anchor="{"b" if head else "t"}" {margins}>{bare}'
        f'<a:lnB w="12700"><a:solidFill>{rule}</a:solidFill></a:lnB></a:tcPr></a:tc>'
    )


def _plain(text: str) -> str:
    """Without the signs that the format cannot hold, as the library writes them."""
    return _CONTROL.sub(lambda sign: f"_x{ord(sign[0]):04X}_", text)


def add_chart(
    slide: Any, kind: Any, box: Box, categories: Sequence[str], series: Sequence[Series], *, plot: Box, alt: str,
) -> Any:  # fmt: skip
    """A native chart without title or legend, whose axes enclose exactly `plot`; returns it."""
    data: Any = CategoryChartData(number_format="0")  # type: ignore[no-untyped-call]
    data.categories = list(categories)
    for s in series:
        data.add_series(s.name, s.values)
    frame = slide.shapes.add_chart(kind, *box.inches(), data)
    describe(slide, frame, "Chart", alt)
    chart = frame.chart
    chart.font.size, chart.font.name = Pt(14), "Arial"
    chart.font.color.rgb = rgb(INK)
    chart.has_title = chart.has_legend = False
    for axis in (chart.category_axis, chart.value_axis):
        axis.format.line.color.rgb = rgb(RULE)
    chart.category_axis.has_major_gridlines = False
    chart.category_axis.tick_label_position = XL_TICK_LABEL_POSITION.LOW
    top = ceiling(series)
    chart.value_axis.minimum_scale, chart.value_axis.maximum_scale = 0, top
    chart.value_axis.major_unit = next((u for u in (1, 5, 10, 20) if top / u <= 6), 25)
    chart.value_axis.major_gridlines.format.line.color.rgb = rgb("#e6ebec")
    _place_plot(chart, box, plot)
    return chart


def ceiling(series: Sequence[Series]) -> int:
    """Where the value axis ends: the next five above every value and end."""
    ends = [v for s in series for v in (*s.values, *s.high) if v is not None]
    return 5 * math.ceil((max(ends, default=0) + 1) / 5)


def _place_plot(chart: Any, box: Box, plot: Box) -> None:
    area = chart._chartSpace.find(f".//{qn('c:plotArea')}")
    layout = area.find(qn("c:layout"))
    if layout is None:
        layout = etree.Element(qn("c:layout"))
        area.insert(0, layout)
    for old in list(layout):
        layout.remove(old)
    manual = etree.SubElement(layout, qn("c:manualLayout"))
    shares = {
        "layoutTarget": "inner",
        "xMode": "edge",
        "yMode": "edge",
        "x": f"{(plot.left - box.left) / box.width:.5f}",
        "y": f"{(plot.top - box.top) / box.height:.5f}",
        "w": f"{plot.width / box.width:.5f}",
        "h": f"{plot.height / box.height:.5f}",
    }
    for tag, value in shares.items():
        etree.SubElement(manual, qn(f"c:{tag}"), {"val": value})


def add_band(slide: Any, plot: Box, series: Series, top: float, *, joined: bool = False) -> None:
    """The range of a line as one shape behind the chart; nothing where no point has a range.

    Error bars as broad as a month would move with the chart's figures, but a program that ends each bar with a cap
    draws caps as broad as the bars, far beyond the range. A range holds from its point to the next, so the shape is a
    stair; `joined` draws it from point to point, where each point stands for its own day alone.
    """
    every = plot.width / max(len(series.values) - 1, 1)
    for run in _runs(series, joined=joined):
        at = [(plot.left + every * i, *(plot.bottom - plot.height * v / top for v in ends)) for i, *ends in run]
        if not joined:
            after = [x for x, _, _ in at[1:]] + [min(at[-1][0] + every, plot.right + every / 8)]
            at = [(x, low, high) for (a, low, high), b in zip(at, after, strict=True) for x in (a, b)]
        outline = [(x, high) for x, _, high in at] + [(x, low) for x, low, _ in reversed(at)]
        (x, y), *rest = [(Inches(a), Inches(b)) for a, b in outline]
        builder = slide.shapes.build_freeform(x, y)
        builder.add_line_segments(rest, close=True)
        shape = builder.convert_to_shape()
        shape.shadow.inherit = False
        shape.line.fill.background()
        shape.fill.solid()
        shape.fill.fore_color.rgb = rgb(series.look.colour)
        colour = shape._element.spPr.find(f".//{qn('a:srgbClr')}")
        etree.SubElement(colour, qn("a:alpha"), {"val": str(BAND)})
        describe(slide, shape, f"Band: {series.name}", f"Band around the line “{series.name}”: its 95 % range.")


def _runs(series: Series, *, joined: bool) -> list[list[tuple[int, float, float]]]:
    """The points with a range as (place, low, high), cut where one is lacking; in one run where they are joined."""
    runs: list[list[tuple[int, float, float]]] = []
    before = None
    for i, (low, high) in enumerate(zip(series.low, series.high, strict=True)):
        if low is None or high is None:
            continue
        if not runs or (before != i - 1 and not joined):
            runs.append([])
        runs[-1].append((i, low, high))
        before = i
    return [run for run in runs if len(run) > 1 or not joined]


def add_text(
    shapes: Any, box: Box, lines: Sequence[str], size: float, *, colour: str = INK, bold: bool = False,
    side: Any = PP_ALIGN.LEFT, middle: bool = False,
) -> Any:  # fmt: skip
    """A text without margins that wraps in its box."""
    shape = shapes.add_textbox(*box.inches())
    _write(shape.text_frame, lines, size, colour=colour, bold=bold, side=side, middle=middle)
    return shape


def add_block(
    shapes: Any, box: Box, lines: Sequence[str], size: float, *, fill: str, outline: str, colour: str = INK
) -> Any:
    """A rectangle with centred text."""
    shape = shapes.add_shape(MSO_SHAPE.RECTANGLE, *box.inches())
    shape.shadow.inherit = False
    shape.fill.solid()
    shape.fill.fore_color.rgb = rgb(fill)
    shape.line.color.rgb, shape.line.width = rgb(outline), Pt(1.25)
    _write(shape.text_frame, lines, size, colour=colour, side=PP_ALIGN.CENTER, middle=True, inset=0.08)
    return shape


def _write(
    frame: Any, lines: Sequence[str], size: float, *, colour: str, bold: bool = False, side: Any, middle: bool,
    inset: float = 0.0,
) -> None:  # fmt: skip
    frame.word_wrap = True
    frame.margin_left = frame.margin_right = Inches(inset)
    frame.margin_top = frame.margin_bottom = 0
    frame.vertical_anchor = MSO_ANCHOR.MIDDLE if middle else MSO_ANCHOR.TOP
    for index, line in enumerate(lines):
        paragraph = frame.paragraphs[0] if index == 0 else frame.add_paragraph()
        paragraph.text, paragraph.alignment = line, side
        for run in paragraph.runs:
            run.font.size, run.font.bold = Pt(size), bold
            run.font.color.rgb = rgb(colour)


def add_line(
    shapes: Any, start: tuple[float, float], end: tuple[float, float], *, colour: str, points: float,
    dash: str = "solid",
) -> Any:  # fmt: skip
    """A straight line from one place to another."""
    line = shapes.add_connector(MSO_CONNECTOR.STRAIGHT, *(Inches(v) for v in (*start, *end)))
    line.line.color.rgb, line.line.width, line.line.dash_style = rgb(colour), Pt(points), DASHES[dash]
    return line


def add_mark(shapes: Any, at: tuple[float, float], across: float, colour: str, *, hollow: bool = False) -> Any:
    """A mark as on the pages, as wide as `across`, with its middle at a place; hollow where nothing is claimed."""
    box = Box(at[0] - across / 2, at[1] - across / 2, across, across)
    mark = shapes.add_shape(MSO_SHAPE.DIAMOND, *box.inches())
    mark.shadow.inherit = False
    mark.fill.solid()
    mark.fill.fore_color.rgb = rgb(WHITE if hollow else colour)
    if hollow:
        mark.line.color.rgb, mark.line.width = rgb(colour), Pt(2.5)
    else:
        mark.line.fill.background()
    return mark


def describe(slide: Any, shape: Any, name: str, alt: str) -> None:
    """The alternative text, for which the library has no call; and the place in reading order, before the footer."""
    element = shape._element
    before_footer(slide, element)
    properties = next(element.iter(qn("p:cNvPr")))
    properties.set("descr", alt)
    properties.set("name", name)


def before_footer(slide: Any, element: Any) -> None:
    """Put an element where it is read before the footer and the number of its slide."""
    footer = next(e for e in slide.shapes._spTree.iter(qn("p:ph")) if e.get("type") == "ftr")
    next(a for a in footer.iterancestors(qn("p:sp"))).addprevious(element)


def rgb(colour: str) -> RGBColor:
    """A colour `#rrggbb` as the library takes it."""
    return RGBColor(*bytes.fromhex(colour[1:]))  # type: ignore[no-untyped-call]
