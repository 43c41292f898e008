"""Slides from plain values: titles, text, native tables and native charts, on a clean 16:9 template of our own.

The template is built from the parts in `assets/deck/`: no author, no dates, no thumbnail, no printer settings. A saved
deck is the same bytes for the same content, since every time stamp in it and in the workbooks of its charts is fixed.
"""

from __future__ import annotations

import copy
import io
import math
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any

from lxml import etree
from pptx import Presentation
from pptx.chart.data import CategoryChartData
from pptx.dml.color import RGBColor
from pptx.enum.chart import XL_CHART_TYPE, XL_LEGEND_POSITION, XL_MARKER_STYLE, XL_TICK_LABEL_POSITION
from pptx.enum.dml import MSO_LINE
from pptx.enum.text import MSO_ANCHOR, PP_ALIGN
from pptx.oxml.ns import qn
from pptx.util import Inches, Pt

from dashboards import deck_fit
from dashboards.theme import INK, MUTED, RULE, Look

_PARTS = {
    "[Content_Types].xml": "content_types.xml",
    "_rels/.rels": "package_rels.xml",
    "docProps/core.xml": "core.xml",
    "docProps/app.xml": "app.xml",
    "ppt/presentation.xml": "presentation.xml",
    "ppt/_rels/presentation.xml.rels": "presentation_rels.xml",
    "ppt/theme/theme1.xml": "theme.xml",
    "ppt/slideMasters/slideMaster1.xml": "master.xml",
    "ppt/slideMasters/_rels/slideMaster1.xml.rels": "master_rels.xml",
    **{f"ppt/slideLayouts/slideLayout{i}.xml": f"layout_{n}.xml" for i, n in enumerate(("title", "text", "figure"), 1)},
    **{f"ppt/slideLayouts/_rels/slideLayout{i}.xml.rels": "layout_rels.xml" for i in (1, 2, 3)},
}
_EARLIEST = (1980, 1, 1, 0, 0, 0)
_DASHES = {
    "solid": MSO_LINE.SOLID,
    "dash": MSO_LINE.DASH,
    "dot": MSO_LINE.ROUND_DOT,
    "dashdot": MSO_LINE.DASH_DOT,
    "longdash": MSO_LINE.LONG_DASH,
}
LEFT, TOP, WIDTH, HEIGHT = 0.6, 1.75, 12.13, 4.95  # inches: what a figure may fill
TITLE_HEIGHT, TEXT_HEIGHT, OPENING_TITLE, OPENING_TEXT = 1.2, 4.6, 2.3, 1.9


@dataclass(frozen=True)
class Series:
    """One line or set of columns; `low` and `high` are drawn as error bars where both are known."""

    name: str
    look: Look
    values: tuple[float | None, ...]
    low: tuple[float | None, ...] = ()
    high: tuple[float | None, ...] = ()


def on_grid(
    name: str, look: Look, points: Mapping[int, tuple[float, float | None, float | None]], grid: Sequence[int],
    *, bars: Sequence[int],
) -> Series:  # fmt: skip
    """A curve as a series: its values with their ends by month on the grid; a range is drawn at the months `bars`."""

    def at(end: int, months: Iterable[int]) -> tuple[float | None, ...]:
        told = set(months)
        return tuple(points[m][end] if m in told and m in points else None for m in grid)

    return Series(name, look, at(0, grid), at(1, bars), at(2, bars))


class Deck:
    """A deck in the making."""

    def __init__(self, *, title: str, footer: str) -> None:
        self._deck: Any = Presentation(io.BytesIO(_template()))
        self._deck.core_properties.title = title
        self._footer = footer

    def opening(self, title: str, lines: Sequence[str], notes: str) -> None:
        """The first slide: the main finding, and what the records are."""
        slide = self._slide(0, title, notes)
        size = deck_fit.largest((36, 32, 28, 24, 20), [title], WIDTH, OPENING_TITLE, bold=True)
        _size(slide.shapes.title, size)
        _fill(slide.placeholders[1].text_frame, lines, deck_fit.largest((20, 18, 16, 14), lines, WIDTH, OPENING_TEXT))

    def text(self, title: str, lines: Sequence[str], notes: str, *, sizes: Sequence[int] = (20, 18, 16)) -> None:
        """A finding and a few points; the type shrinks as they grow, and what is too much goes on a further slide."""
        inner = WIDTH - deck_fit.BULLET
        size = deck_fit.largest(sizes, lines, inner, TEXT_HEIGHT)
        heights = [deck_fit.text_height([t], inner, size) + deck_fit.GAP for t in lines]
        cut = deck_fit.pages(heights, TEXT_HEIGHT + deck_fit.GAP)
        for number, part in enumerate(cut, 1):
            slide = self._slide(1, _numbered(title, number, len(cut)), notes)
            _fill(slide.placeholders[1].text_frame, [lines[i] for i in part], size)

    def table(
        self, title: str, heads: Sequence[str], rows: Sequence[Sequence[str]], notes: str,
        *, alt: str, shares: Sequence[float] = (), sizes: Sequence[int] = (18, 16, 14, 12), left: Sequence[int] = (0,),
    ) -> None:  # fmt: skip
        """A finding and a native table; what does not fit goes on a further slide.

        `shares` are the columns' parts of the width, by default with a wide first one; `left` the columns set left.
        """
        first = 0.36 if len(heads) > 2 else 0.25
        shares = shares or (first, *[(1 - first) / (len(heads) - 1)] * (len(heads) - 1))
        widths = [WIDTH * s / sum(shares) for s in shares]
        size = next((s for s in sizes if sum(_heights(heads, rows, widths, s)) <= HEIGHT - 0.5), sizes[-1])
        head, *heights = _heights(heads, rows, widths, size)
        cut = deck_fit.pages(heights, HEIGHT - 0.5 - head)
        for number, part in enumerate(cut, 1):
            slide = self._slide(2, _numbered(title, number, len(cut)), notes)
            some = [rows[i] for i in part]
            text = alt if len(cut) == 1 else f"Part {number} of {len(cut)}. {alt}"
            _table(slide, heads, some, widths, [head, *(heights[i] for i in part)], size=size, alt=text, left=left)

    def lines(
        self, title: str, categories: Sequence[str], series: Sequence[Series], axes: tuple[str, str], notes: str,
        *, alt: str, every: int,
    ) -> None:  # fmt: skip
        """A finding and a native line chart; every `every`-th category is labelled."""
        slide = self._slide(2, title, notes)
        chart = _chart(slide, XL_CHART_TYPE.LINE, categories, series, axes=axes, alt=alt)
        axis = chart._chartSpace.find(f".//{qn('c:catAx')}")
        for tag in ("c:tickLblSkip", "c:tickMarkSkip"):
            element = etree.SubElement(axis, qn(tag), {"val": str(every)})
            axis.find(qn("c:noMultiLvlLbl")).addprevious(element)
        for drawn, given in zip(chart.plots[0].series, series, strict=True):
            drawn.smooth = False
            drawn.marker.style = XL_MARKER_STYLE.NONE
            drawn.format.line.color.rgb = _rgb(given.look.colour)
            drawn.format.line.width = Pt(2.75)
            drawn.format.line.dash_style = _DASHES[given.look.dash]
            _error_bars(drawn._element, given)

    def columns(
        self, title: str, categories: Sequence[str], series: Sequence[Series], axes: tuple[str, str], notes: str,
        *, alt: str,
    ) -> None:  # fmt: skip
        """A finding and native columns with their values."""
        slide = self._slide(2, title, notes)
        chart = _chart(slide, XL_CHART_TYPE.COLUMN_CLUSTERED, categories, series, axes=axes, alt=alt)
        plot = chart.plots[0]
        plot.gap_width, plot.overlap = 90, -8
        for drawn, given in zip(plot.series, series, strict=True):
            drawn.format.fill.solid()
            drawn.format.fill.fore_color.rgb = _rgb(given.look.colour)
            labels = drawn.data_labels
            labels.show_value, labels.number_format, labels.number_format_is_linked = True, "0", False
            labels.font.size = Pt(14)
            labels.font.color.rgb = _rgb(INK)

    def save(self) -> bytes:
        """The deck as bytes, with every time stamp fixed."""
        buffer = io.BytesIO()
        self._deck.save(buffer)
        return _timeless(buffer.getvalue())

    def _slide(self, layout: int, title: str, notes: str) -> Any:
        slide = self._deck.slides.add_slide(self._deck.slide_layouts[layout])
        slide.shapes.title.text_frame.text = title
        if layout:
            _size(slide.shapes.title, deck_fit.largest((28, 24, 20, 18, 16), [title], WIDTH, TITLE_HEIGHT, bold=True))
        for shape in slide.slide_layout.placeholders:
            if shape.placeholder_format.idx in (11, 12):
                element = copy.deepcopy(shape._element)
                slide.shapes._spTree.append(element)
        foot = next(s for s in slide.placeholders if s.placeholder_format.idx == 11)
        foot.text_frame.text = self._footer
        slide.notes_slide.notes_text_frame.text = notes
        return slide


def _fill(frame: Any, lines: Sequence[str], size: int) -> None:
    for index, line in enumerate(lines):
        paragraph = frame.paragraphs[0] if index == 0 else frame.add_paragraph()
        paragraph.text = line
        for run in paragraph.runs:
            run.font.size = Pt(size)


def _numbered(title: str, number: int, of: int) -> str:
    return title if of == 1 else f"{title} ({number} of {of})"


def _size(shape: Any, size: int) -> None:
    for run in shape.text_frame.paragraphs[0].runs:
        run.font.size = Pt(size)


def _heights(
    heads: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float], size: int
) -> list[float]:  # fmt: skip
    """Inches of the head and of each row."""
    return [deck_fit.row_height(heads, widths, size, bold=True)] + [deck_fit.row_height(r, widths, size) for r in rows]


def _table(
    slide: Any, heads: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float], heights: Sequence[float],
    *, size: int, alt: str, left: Sequence[int],
) -> None:  # fmt: skip
    box = (Inches(LEFT), Inches(TOP), Inches(WIDTH), Inches(sum(heights)))
    frame = slide.shapes.add_table(len(rows) + 1, len(heads), *box)
    _describe(frame, "Table", alt)
    table = frame.table
    for column, width in zip(table.columns, widths, strict=True):
        column.width = Inches(width)
    for row, height in zip(table.rows, heights, strict=True):
        row.height = Inches(height)
    # The plain grid style: the built-in default of the library is a coloured one.
    style = table._tbl.tblPr.find(qn("a:tableStyleId"))
    style.text = "{2D5ABB26-0587-4C30-8999-92F81FD0307C}"
    table.horz_banding = False
    for r, cells in enumerate((heads, *rows)):
        for c, text in enumerate(cells):
            _cell(table.cell(r, c), text, size, head=r == 0, left=c in left or len(heads) == 2)


def _cell(cell: Any, text: str, size: int, *, head: bool, left: bool) -> None:
    cell.text_frame.text = text
    cell.vertical_anchor = MSO_ANCHOR.BOTTOM if head else MSO_ANCHOR.TOP
    cell.margin_left = cell.margin_right = Inches(deck_fit.SIDES / 2)
    cell.margin_top = cell.margin_bottom = Inches(deck_fit.MARGIN / 2)
    paragraph = cell.text_frame.paragraphs[0]
    paragraph.alignment = PP_ALIGN.LEFT if left else PP_ALIGN.RIGHT
    for run in paragraph.runs:
        run.font.size, run.font.bold = Pt(size), head
        run.font.color.rgb = _rgb(INK)
    properties = cell._tc.get_or_add_tcPr()
    for tag, colour, weight in (
        ("a:lnL", None, 0),
        ("a:lnR", None, 0),
        ("a:lnT", None, 0),
        ("a:lnB", INK if head else RULE, 12700),
    ):
        line = etree.SubElement(properties, qn(tag), {"w": str(weight)})
        if colour is None:
            etree.SubElement(line, qn("a:noFill"))
        else:
            fill = etree.SubElement(line, qn("a:solidFill"))
            etree.SubElement(fill, qn("a:srgbClr"), {"val": colour[1:].upper()})


def _chart(
    slide: Any, kind: Any, categories: Sequence[str], series: Sequence[Series], *, axes: tuple[str, str], alt: str
) -> Any:
    data = CategoryChartData(number_format="0")
    data.categories = list(categories)
    for s in series:
        data.add_series(s.name, s.values)
    box = (Inches(LEFT), Inches(TOP), Inches(WIDTH), Inches(HEIGHT))
    frame = slide.shapes.add_chart(kind, *box, data)
    _describe(frame, "Chart", alt)
    chart = frame.chart
    chart.font.size, chart.font.name = Pt(14), "Arial"
    chart.font.color.rgb = _rgb(INK)
    chart.has_title = False
    chart.has_legend = True
    chart.legend.position, chart.legend.include_in_layout = XL_LEGEND_POSITION.TOP, False
    for axis, text in ((chart.category_axis, axes[0]), (chart.value_axis, axes[1])):
        axis.has_title = bool(text)
        if text:
            axis.axis_title.text_frame.text = text
            font = axis.axis_title.text_frame.paragraphs[0].runs[0].font
            font.size, font.bold = Pt(14), False
            font.color.rgb = _rgb(MUTED)
        axis.format.line.color.rgb = _rgb(RULE)
    chart.category_axis.has_major_gridlines = False
    chart.category_axis.tick_label_position = XL_TICK_LABEL_POSITION.LOW
    ends = [v for s in series for v in (*s.values, *s.high) if v is not None]
    chart.value_axis.minimum_scale, chart.value_axis.maximum_scale = 0, 5 * math.ceil((max(ends, default=0) + 1) / 5)
    chart.value_axis.major_gridlines.format.line.color.rgb = _rgb("#e6ebec")
    return chart


def _error_bars(element: Any, series: Series) -> None:
    """Ranges as error bars of a series; nothing where no point has one. There is no call for it in the library."""
    if not any(v is not None for v in series.high):
        return
    bars = etree.Element(qn("c:errBars"))
    etree.SubElement(bars, qn("c:errDir"), {"val": "y"})
    etree.SubElement(bars, qn("c:errBarType"), {"val": "both"})
    etree.SubElement(bars, qn("c:errValType"), {"val": "cust"})
    etree.SubElement(bars, qn("c:noEndCap"), {"val": "0"})
    for tag, ends in (("c:plus", series.high), ("c:minus", series.low)):
        side = etree.SubElement(bars, qn(tag))
        numbers = etree.SubElement(side, qn("c:numLit"))
        etree.SubElement(numbers, qn("c:formatCode")).text = "0"
        etree.SubElement(numbers, qn("c:ptCount"), {"val": str(len(series.values))})
        for index, (value, end) in enumerate(zip(series.values, ends, strict=True)):
            if value is not None and end is not None:
                point = etree.SubElement(numbers, qn("c:pt"), {"idx": str(index)})
                etree.SubElement(point, qn("c:v")).text = f"{abs(end - value):g}"
    shape = etree.SubElement(bars, qn("c:spPr"))
    line = etree.SubElement(shape, qn("a:ln"), {"w": "22225"})
    fill = etree.SubElement(line, qn("a:solidFill"))
    etree.SubElement(fill, qn("a:srgbClr"), {"val": series.look.colour[1:].upper()})
    element.find(qn("c:cat")).addprevious(bars)


def _describe(frame: Any, name: str, alt: str) -> None:
    """The alternative text, for which the library has no call; and the place in reading order, before the footer."""
    element = frame._element
    footer = next(e for e in element.getparent().iter(qn("p:ph")) if e.get("type") == "ftr")
    next(a for a in footer.iterancestors(qn("p:sp"))).addprevious(element)
    properties = frame._element.nvGraphicFramePr.cNvPr
    properties.set("descr", alt)
    properties.set("name", name)


def _rgb(colour: str) -> RGBColor:
    return RGBColor.from_string(colour[1:].upper())


def _template() -> bytes:
    folder = resources.files("dashboards").joinpath("assets", "deck")
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as package:
        for name, source in _PARTS.items():
            package.writestr(zipfile.ZipInfo(name, _EARLIEST), folder.joinpath(source).read_bytes())
    return buffer.getvalue()


def _timeless(package: bytes) -> bytes:
    """The same package, and workbooks within it, without the time of making."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(package)) as old, zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new:
        workbook = "xl/workbook.xml" in old.namelist()
        for item in old.infolist():
            data = old.read(item)
            if item.filename.endswith(".xlsx"):
                data = _timeless(data)
            elif workbook and item.filename == "docProps/core.xml":
                data = resources.files("dashboards").joinpath("assets", "deck", "core.xml").read_bytes()
            info = zipfile.ZipInfo(item.filename, _EARLIEST)
            info.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(info, data)
    return buffer.getvalue()
