"""Reading slides back: their texts, their figures, and the room that each thing takes."""

from __future__ import annotations

import functools
import io
from collections.abc import Iterator
from typing import Any

import sample_results as samples
from pptx import Presentation
from pptx.enum.shapes import MSO_SHAPE_TYPE

from dashboards.release.released import release
from dashboards.talk import appendix, fit, story

AT_ONCE = ("differs", "cannot_tell", "hostile", "empty_practice")


def opened(data: bytes) -> Any:
    """A deck from its bytes."""
    return Presentation(io.BytesIO(data))


@functools.cache
def talk(name: str) -> Any:
    """The usual talk of a sample practice."""
    return opened(story.render(release(samples.all_variants()[name])))


@functools.cache
def behind(name: str) -> Any:
    """The appendix of a sample practice."""
    return opened(appendix.render(release(samples.all_variants()[name])))


def shapes(slide: Any) -> Iterator[Any]:
    """Every shape of a slide, also those within groups; the group itself is not one."""
    for shape in slide.shapes:
        if shape.shape_type == MSO_SHAPE_TYPE.GROUP:
            yield from shape.shapes
        else:
            yield shape


def texts(slide: Any, *, footer: bool = False) -> list[str]:
    """What stands on a slide, one text a paragraph or cell; without the footer and the number."""
    out = []
    for shape in shapes(slide):
        if shape.is_placeholder and shape.placeholder_format.idx in (11, 12) and not footer:
            continue
        if shape.has_text_frame:
            out += [p.text for p in shape.text_frame.paragraphs if p.text]
        elif shape.has_table:
            out += [c.text for row in shape.table.rows for c in row.cells if c.text]
    return out


def title(slide: Any) -> str:
    """The title of a slide."""
    text: str = slide.shapes.title.text_frame.text
    return text


def notes(slide: Any) -> str:
    """The notes of a slide."""
    text: str = slide.notes_slide.notes_text_frame.text
    return text


def box(shape: Any) -> tuple[float, float, float, float]:
    """Left, top, right and bottom in inches, as far as text or rows of a table reach."""
    left, top, width, height = (v / 914400 for v in (shape.left, shape.top, shape.width, shape.height))
    if getattr(shape, "has_table", False) and shape.has_table:
        widths = [c.width / 914400 for c in shape.table.columns]
        height = 0.0
        for row in shape.table.rows:
            runs = [r for c in row.cells for p in c.text_frame.paragraphs for r in p.runs]
            points = max((r.font.size.pt for r in runs), default=12)
            height += fit.row_height([c.text_frame.text for c in row.cells], widths, points)
    elif shape.has_text_frame and shape.text_frame.text:
        runs = [r for p in shape.text_frame.paragraphs for r in p.runs if r.font.size]
        if runs:
            lines = [p.text for p in shape.text_frame.paragraphs]
            inner = width - (fit.BULLET if shape.is_placeholder else 0)
            reach = fit.text_height(lines, inner, max(r.font.size.pt for r in runs), bold=bool(runs[0].font.bold))
            if shape.is_placeholder and shape.placeholder_format.type == 3:  # a title that stands on its lower edge
                top = top + height - reach
                height = reach
            else:
                height = reach if shape.is_placeholder or reach > height else height
    return left, top, left + width, top + height


def overlap(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> bool:
    """True where two boxes share more than a hair."""
    return a[0] < b[2] - 0.02 and b[0] < a[2] - 0.02 and a[1] < b[3] - 0.02 and b[1] < a[3] - 0.02
