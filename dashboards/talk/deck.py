"""Slides from plain values: titles, text, native tables, curves, columns, ranges and flows on a clean 16:9 template."""

import copy
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lxml import etree
from pptx import Presentation
from pptx.enum.chart import XL_CHART_TYPE, XL_MARKER_STYLE, XL_TICK_LABEL_POSITION, XL_TICK_MARK
from pptx.opc.constants import RELATIONSHIP_TYPE as RT
from pptx.oxml.ns import qn
from pptx.util import Pt

from dashboards.talk import drawn, fit
from dashboards.talk.drawn import Box, Series
from dashboards.talk.ranges import Range, Scale, add_ranges
from dashboards.talk.template import template, timeless
from dashboards.theme import ACCENT, INK, MUTED, WASH

PLACE = Box(0.6, 1.75, 12.13, 4.95)  # what a figure may fill
TITLE_HEIGHT, TEXT_HEIGHT, OPENING_TITLE, OPENING_TEXT = 1.2, 4.6, 2.3, 1.9
NAMES, ENDS = 3.0, 2.3  # left of a curve, for the names below it; right of it, for the names at its end
TICKS = (1, 2, 3, 6, 12, 24, 60)  # months between two columns of the table below a curve
NARROWEST, WIDEST = 0.6, 2.6  # inches of such a column


@dataclass(frozen=True)
class Curves:
    """A figure of curves on a grid of months, with what stands under it.

    `under` holds for each series the text at a month, e.g. how many are still followed; empty for none. `every` is how
    many months lie between two that have a text.
    """

    months: Sequence[int]
    series: Sequence[Series]
    value: str  # what the value axis counts
    clock: str  # `Years since the seat`
    under: Sequence[Mapping[int, str]] = ()
    under_name: str = ""
    every: int = 1
    note: str = ""  # a word on what is not drawn
    joined: bool = False  # the points stand for their own days, with marks, and are only joined by lines


class Deck:
    """A deck in the making. `colours` exchange those of the theme."""

    def __init__(
        self,
        *,
        title: str,
        footer: str,
        author: str = "",
        accent: str = ACCENT,
        colours: Mapping[str, str] | None = None,
    ) -> None:
        self._deck: Any = Presentation(io.BytesIO(template(colours or {})))
        self._deck.core_properties.title = title
        if author:
            self._deck.core_properties.author = author
        self._footer = footer
        self._accent = accent

    def opening(self, title: str, lines: Sequence[str], notes: str) -> None:
        """The first slide: a title, and whose records these are."""
        slide = self._slide(0, title, notes)
        size = fit.largest((36, 32, 28, 24, 20), [title], PLACE.width, OPENING_TITLE, bold=True)
        _size(slide.shapes.title, size)
        _fill(slide.placeholders[1].text_frame, lines, fit.largest((20, 18, 16, 14), lines, PLACE.width, OPENING_TEXT))
        bar = drawn.add_block(
            slide.shapes, Box(PLACE.left, 0.9, 1.6, 0.12), [], 12, fill=self._accent, outline=self._accent
        )
        drawn.describe(slide, bar, "Bar", "")

    def text(self, title: str, lines: Sequence[str], notes: str, *, sizes: Sequence[int] = (22, 20, 18, 16)) -> None:
        """A finding and a few points; the type shrinks as they grow, and what is too much goes on a further slide."""
        inner = PLACE.width - fit.BULLET
        size = fit.largest(sizes, lines, inner, TEXT_HEIGHT)
        heights = [fit.text_height([t], inner, size) + fit.GAP for t in lines]
        cut = fit.pages(heights, TEXT_HEIGHT + fit.GAP)
        for number, part in enumerate(cut, 1):
            slide = self._slide(1, _numbered(title, number, len(cut)), notes)
            _fill(slide.placeholders[1].text_frame, [lines[i] for i in part], size)

    def table(
        self, title: str, heads: Sequence[str], rows: Sequence[Sequence[str]], notes: str,
        *, alt: str, shares: Sequence[float] = (), sizes: Sequence[int] = (18, 16, 14), left: Sequence[int] = (0,),
        lines: Sequence[str] = (), parts: Callable[[Sequence[Sequence[str]]], str] | None = None,
    ) -> None:  # fmt: skip
        """A finding and a native table; what does not fit goes on a further slide, named by `parts` of its rows.

        `shares` are the columns' parts of the width, by default with a wide first one; `left` the columns set left;
        `lines` are points under its last part.
        """
        first = 0.36 if len(heads) > 2 else 0.25
        shares = shares or (first, *[(1 - first) / (len(heads) - 1)] * (len(heads) - 1))
        widths = [PLACE.width * s / sum(shares) for s in shares]
        room = PLACE.height - (0.5 if not lines else 2.0)
        size = next((s for s in sizes if sum(_heights(heads, rows, widths, s)) <= room), sizes[-1])
        head, *heights = _heights(heads, rows, widths, size)
        cut = fit.pages(heights, room - head)
        sides = range(len(heads)) if len(heads) == 2 else left
        for number, part in enumerate(cut, 1):
            some = [heads, *(rows[i] for i in part)]
            named = parts(some[1:]) if parts and len(cut) > 1 else title
            slide = self._slide(2, _numbered(named, number, len(cut)), notes)
            text = alt if len(cut) == 1 else f"Part {number} of {len(cut)}. {alt}"
            box = Box(PLACE.left, PLACE.top, PLACE.width, head + sum(heights[i] for i in part))
            drawn.add_table(slide, box, some, widths=widths, size=size, alt=text, left=sides)
            if number == len(cut):
                self._below(slide, box.bottom + 0.3, lines)

    def curves(self, title: str, figure: Curves, notes: str, *, alt: str) -> None:
        """A finding and native curves with bands, named at their ends, over the years and who is still followed."""
        slide = self._slide(2, title, notes)
        left, right = PLACE.left + NAMES, PLACE.right - ENDS
        rows, widths = _under(figure, right - left)
        height = sum(fit.row_height(r, widths, 12, bold=i == 0) for i, r in enumerate(rows))
        plot = Box(left, PLACE.top + 0.1, right - left, PLACE.height - height - 0.25)
        box = Box(plot.left - 0.5, PLACE.top, plot.width + 0.6, plot.bottom - PLACE.top + 0.08)
        named = [f"\u00a0{m}\u00a0" for m in figure.months]  # keeps programs that choose their own labels from crowding
        for given in figure.series:  # before the chart, so that lines lie upon the bands
            drawn.add_band(slide, plot, given, drawn.ceiling(figure.series), joined=figure.joined)
        chart = drawn.add_chart(slide, XL_CHART_TYPE.LINE, box, named, figure.series, plot=plot, alt=alt)
        chart.category_axis.tick_label_position = XL_TICK_LABEL_POSITION.NONE
        chart.category_axis.major_tick_mark = XL_TICK_MARK.NONE  # the years stand in the table below
        _on_the_month(chart)
        if figure.joined:
            chart._chartSpace.find(f".//{qn('c:dispBlanksAs')}").set("val", "span")
        for line, given in zip(chart.plots[0].series, figure.series, strict=True):
            line.smooth = False
            line.marker.style = XL_MARKER_STYLE.CIRCLE if figure.joined else XL_MARKER_STYLE.NONE
            if figure.joined:
                line.marker.size = 9
                line.marker.format.fill.solid()
                line.marker.format.fill.fore_color.rgb = drawn.rgb(given.look.colour)
                line.marker.format.line.color.rgb = drawn.rgb(given.look.colour)
            line.format.line.color.rgb = drawn.rgb(given.look.colour)
            line.format.line.width = Pt(2.75)
            line.format.line.dash_style = drawn.DASHES[given.look.dash]
        self._names(slide, plot, figure)
        said, beside = [figure.value, *([figure.note] if figure.note else [])], NAMES - 0.65
        size = fit.largest((14, 12), said, beside, plot.height)
        axis = drawn.add_text(slide.shapes, Box(PLACE.left, plot.top, beside, plot.height), said, size, colour=MUTED)
        drawn.before_footer(slide, axis._element)
        below = Box(PLACE.left, plot.bottom + 0.12, sum(widths), height)
        drawn.add_table(slide, below, rows, widths=widths, size=12, alt=f"Table under the curves. {figure.under_name}",
                        centred=True, colours=[s.look.colour for s in figure.series])  # fmt: skip

    def _names(self, slide: Any, plot: Box, figure: Curves) -> None:
        """The name of each curve at its end, moved apart where two would touch, with a thin line to a far end."""
        top = drawn.ceiling(figure.series)
        ends = [(s, end) for s in figure.series if (end := s.end()) is not None]
        wanted = []
        for series, (index, value) in ends:
            x = plot.left + plot.width * index / max(len(figure.months) - 1, 1)
            y = plot.bottom - plot.height * value / top
            wanted.append((y, x, fit.text_height([series.name], ENDS - 0.25, 14, bold=True), series))
        wanted.sort(key=lambda w: (w[0], w[3].name))
        places = fit.apart([(y - h / 2, h) for y, _, h, _ in wanted], plot.top, plot.bottom)
        for place, (y, x, h, series) in zip(places, wanted, strict=True):
            box = Box(plot.right + 0.22, place, ENDS - 0.25, h)
            if x < plot.right - 0.1 or abs(place + h / 2 - y) > 0.05:
                far = (box.left - 0.04, place + h / 2)
                line = drawn.add_line(slide.shapes, (x, y), far, colour=series.look.colour, points=0.75)
                drawn.before_footer(slide, line._element)
            name = drawn.add_text(
                slide.shapes, box, [series.name], 14, colour=series.look.colour, bold=True, middle=True
            )
            drawn.before_footer(slide, name._element)

    def columns(
        self, title: str, categories: Sequence[str], series: Sequence[tuple[str, Series]], value: str, notes: str,
        *, colours: Sequence[str], alt: str,
    ) -> None:  # fmt: skip
        """A finding and native columns, each with its value and the words of its series; the first series is hollow.

        `series` are words and values, one value a category; a category's columns have its colour.
        """
        slide = self._slide(2, title, notes)
        plot = Box(PLACE.left + 0.5, PLACE.top + 0.45, PLACE.width - 0.6, PLACE.height - 1.0)
        box = Box(PLACE.left, PLACE.top + 0.35, PLACE.width, PLACE.height - 0.45)
        chart = drawn.add_chart(
            slide, XL_CHART_TYPE.COLUMN_CLUSTERED, box, categories, [s for _, s in series], plot=plot, alt=alt
        )
        chart.plots[0].gap_width, chart.plots[0].overlap = 50, -8
        chart.value_axis.maximum_scale += 5  # room for the words above the columns
        for number, (column, (words, _)) in enumerate(zip(chart.plots[0].series, series, strict=True)):
            labels = column.data_labels
            labels.show_value, labels.number_format_is_linked = True, False
            labels.number_format = f'"{words}: "0'
            labels.font.size, labels.font.bold = Pt(14), bool(number)
            labels.font.color.rgb = drawn.rgb(INK)
            for index, colour in enumerate(colours):
                shape = column.points[index].format
                shape.fill.solid()
                shape.fill.fore_color.rgb = drawn.rgb(colour if number else "#ffffff")
                shape.line.color.rgb, shape.line.width = drawn.rgb(colour), Pt(2)
        axis = drawn.add_text(slide.shapes, Box(PLACE.left, PLACE.top, PLACE.width, 0.3), [value], 14, colour=MUTED)
        drawn.before_footer(slide, axis._element)

    def ranges(
        self, title: str, rows: Sequence[Range], scale: Scale, notes: str, *, alt: str, lines: Sequence[str] = ()
    ) -> None:
        """A finding, ranges around no difference drawn as shapes with their words beside them, and a few points."""
        slide = self._slide(2, title, notes)
        bottom = add_ranges(slide, PLACE, rows, scale, alt=alt)
        self._below(slide, bottom + 0.15, lines)

    def flow(self, title: str, boxes: Sequence[str], groups: Sequence[tuple[str, str]], lines: Sequence[str],
             notes: str, *, alt: str) -> None:  # fmt: skip
        """A finding, boxes from left to right that end in groups (words and colour) side by side, and a few points."""
        slide = self._slide(2, title, notes)
        group = slide.shapes.add_group_shape()
        drawn.describe(slide, group, "Flow", alt)
        top = PLACE.top
        for texts, colours in ((boxes, [self._accent] * len(boxes)), ([t for t, _ in groups], [c for _, c in groups])):
            if not texts:
                continue
            gap = 0.45
            width = min((PLACE.width - gap * (len(texts) - 1)) / len(texts), 6.2)
            size = fit.largest((18, 16, 14, 12), max(texts, key=len).split("\n"), width - 0.2, 1.05)
            for i, (text, colour) in enumerate(zip(texts, colours, strict=True)):
                at = PLACE.left + i * (width + gap)
                if i and texts is boxes:
                    drawn.add_line(group.shapes, (at - gap, top + 0.55), (at, top + 0.55), colour=MUTED, points=1.5)
                box = Box(at, top, width, 1.1)
                drawn.add_block(group.shapes, box, text.split("\n"), size, fill=WASH, outline=colour)
            top += 1.45
        self._below(slide, top, lines)

    def save(self) -> bytes:
        """The deck as bytes, with every time stamp fixed."""
        self._list_master_of_notes()
        buffer = io.BytesIO()
        self._deck.save(buffer)
        return timeless(buffer.getvalue())

    def _list_master_of_notes(self) -> None:
        """The library leaves it out, and a strict reader mends the file for want of it."""
        root = self._deck.part._element
        masters = root.find(qn("p:sldMasterIdLst"))
        listed = root.makeelement(qn("p:notesMasterIdLst"), {})
        link = self._deck.part.relate_to(self._deck.notes_master.part, RT.NOTES_MASTER)
        etree.SubElement(listed, qn("p:notesMasterId"), {qn("r:id"): link})
        masters.addnext(listed)

    def _below(self, slide: Any, top: float, lines: Sequence[str]) -> None:
        """Points under a figure, as large as their room allows."""
        if not lines:
            return
        room = PLACE.bottom - top
        size = fit.largest((20, 18, 16, 14), lines, PLACE.width, room)
        text = drawn.add_text(slide.shapes, Box(PLACE.left, top, PLACE.width, room), lines, size)
        for paragraph in text.text_frame.paragraphs:
            paragraph.space_before = Pt(6)
        drawn.before_footer(slide, text._element)

    def _slide(self, layout: int, title: str, notes: str) -> Any:
        slide = self._deck.slides.add_slide(self._deck.slide_layouts[layout])
        slide.shapes.title.text_frame.text = title
        if layout:
            _size(
                slide.shapes.title, fit.largest((28, 26, 24, 20, 18, 16), [title], PLACE.width, TITLE_HEIGHT, bold=True)
            )
        for shape in slide.slide_layout.placeholders:
            if shape.placeholder_format.idx in (11, 12):
                element = copy.deepcopy(shape._element)
                slide.shapes._spTree.append(element)
        foot = next(s for s in slide.placeholders if s.placeholder_format.idx == 11)
        foot.text_frame.text = self._footer
        slide.notes_slide.notes_text_frame.text = notes
        return slide


def _under(figure: Curves, width: float) -> tuple[list[list[str]], list[float]]:
    """The rows under a curve, whose columns stand under their month, and the widths of those columns."""
    wide = {t: width * t / max(figure.months[-1], 1) for t in TICKS}
    fit_in = [t for t in TICKS if NARROWEST <= wide[t] <= WIDEST] or TICKS[:1]
    step = next((t for t in fit_in if t >= figure.every), fit_in[-1])
    months = [m for m in figure.months if m % step == 0]
    rows = [[figure.clock, *(f"{m / 12:.3g}" for m in months)]]
    for series, told in zip(figure.series, figure.under, strict=False):
        rows.append([series.name, *(told.get(m, "" if m % figure.every else "–") for m in months)])
    return rows, [NAMES - wide[step] / 2, *[wide[step]] * len(months)]


def _on_the_month(chart: Any) -> None:
    """Put a point on its month, not between two."""
    value = chart._chartSpace.find(f".//{qn('c:valAx')}")
    between = value.find(qn("c:crossBetween"))
    if between is None:
        between = etree.SubElement(value, qn("c:crossBetween"))
        value.find(qn("c:crosses")).addnext(between)
    between.set("val", "midCat")


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
    return [fit.row_height(heads, widths, size, bold=True)] + [fit.row_height(r, widths, size) for r in rows]
