"""Ranges around no difference, drawn as shapes: a name on the left, the range on one scale, the words on the right."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pptx.enum.text import PP_ALIGN

from dashboards.talk import drawn, fit
from dashboards.talk.drawn import Box
from dashboards.theme import INK, MUTED, RULE, ZONE

NAMES, WORDS, SIZE, SMALL = 3.1, 3.9, 18, 14
LEAST, GAP = 0.75, 0.2  # inches: height of a row, and between its parts


@dataclass(frozen=True)
class Range:
    """One row: its name, its ends and the value between (None where there is only a range), and in words.

    It is `hollow`, and its line dotted, where nothing is claimed, as on the pages.
    """

    name: str
    low: float
    high: float
    at: float | None
    says: str
    colour: str = INK
    hollow: bool = False


@dataclass(frozen=True)
class Scale:
    """The axis: what lies left and right of no difference, and how much is too little to matter."""

    left: str
    right: str
    zone: float = 0.0
    ratio: bool = False  # values are ratios: no difference is 1, and twice as fast lies as far off as half as fast


@dataclass(frozen=True)
class _Axis:
    """No difference in the middle of a place, and `far` on its right: a difference, or a ratio."""

    place: Box
    far: float
    ratio: bool = False

    def x(self, value: float) -> float:
        """Where a value stands."""
        off = math.log(value) / math.log(self.far) if self.ratio else value / self.far
        return self.place.left + self.place.width * (1 + off) / 2

    def marks(self) -> tuple[tuple[float, str], ...]:
        """The ends and the middle, each as written."""
        if self.ratio:
            return (1 / self.far, f"1/{self.far:g}"), (1.0, "1"), (self.far, f"{self.far:g}")
        return (-self.far, f"{self.far:g}"), (0.0, "0"), (self.far, f"{self.far:g}")


def add_ranges(slide: Any, place: Box, rows: Sequence[Range], scale: Scale, *, alt: str) -> float:
    """Draw the rows from the top of `place` down as one described group; returns where it ends."""
    each = max(
        LEAST,
        *(fit.text_height([r.name], NAMES, SIZE, bold=True) + 0.14 for r in rows),
        *(fit.text_height([r.says], WORDS, SIZE) + 0.14 for r in rows),
    )
    bottom = place.top + each * len(rows)
    middle = Box(place.left + NAMES + GAP, place.top, place.width - NAMES - WORDS - 2 * GAP, bottom - place.top)
    axis = _Axis(middle, _far(rows, scale), scale.ratio)
    group = slide.shapes.add_group_shape()
    drawn.describe(slide, group, "Ranges", alt)
    if scale.zone:
        zone = Box(axis.x(-scale.zone), place.top, axis.x(scale.zone) - axis.x(-scale.zone), middle.height)
        drawn.add_block(group.shapes, zone, [], SMALL, fill=ZONE, outline=ZONE)
    none = axis.x(1 if scale.ratio else 0)
    drawn.add_line(group.shapes, (none, place.top), (none, bottom), colour=INK, points=1.25)
    for i, row in enumerate(rows):
        _add_row(group.shapes, row, axis, Box(place.left, place.top + each * i, place.width, each))
    _add_scale(group.shapes, axis, scale)
    return bottom + 0.3 + fit.text_height([max(scale.left, scale.right, key=len)], middle.width / 2 - 0.1, SMALL)


def _far(rows: Sequence[Range], scale: Scale) -> float:
    """The next five beyond all values; of ratios the next power of two."""
    ends = [v for r in rows for v in (r.low, r.high)]
    if scale.ratio:
        return float(2 ** max(1, math.ceil(max(abs(math.log2(v)) for v in ends))))
    return float(5 * (int(max(scale.zone, *(abs(v) for v in ends)) / 5) + 1))


def _add_row(shapes: Any, row: Range, axis: _Axis, box: Box) -> None:
    y = box.top + box.height / 2
    name = Box(box.left, box.top, NAMES, box.height)
    drawn.add_text(shapes, name, [row.name], SIZE, bold=True, colour=row.colour, middle=True)
    if row.low < row.high:
        thick, dash = 1.25 if row.at is None else 5, "dot" if row.hollow else "solid"
        drawn.add_line(shapes, (axis.x(row.low), y), (axis.x(row.high), y), colour=row.colour, points=thick, dash=dash)
    if row.at is None:  # from one value to another, and no range: its ends are such values
        for x in {axis.x(row.low), axis.x(row.high)}:
            drawn.add_line(shapes, (x, y - 0.1), (x, y + 0.1), colour=row.colour, points=1.25)
    else:
        drawn.add_mark(shapes, (axis.x(row.at), y), 0.26, row.colour, hollow=row.hollow)
    says = Box(axis.place.right + GAP, box.top, WORDS, box.height)
    drawn.add_text(shapes, says, [row.says], SIZE, middle=True)


def _add_scale(shapes: Any, axis: _Axis, scale: Scale) -> None:
    """The line under the rows, its ends and no difference in figures, and what lies on either side."""
    place, bottom = axis.place, axis.place.bottom
    drawn.add_line(shapes, (place.left, bottom), (place.right, bottom), colour=RULE, points=1)
    for value, written in axis.marks():
        box = Box(axis.x(value) - 0.4, bottom + 0.05, 0.8, 0.25)
        drawn.add_text(shapes, box, [written], 12, colour=MUTED, side=PP_ALIGN.CENTER)
    half = place.width / 2 - 0.1
    for text, left, side in (
        (scale.left, place.left, PP_ALIGN.LEFT),
        (scale.right, place.left + place.width / 2 + 0.1, PP_ALIGN.RIGHT),
    ):
        height = fit.text_height([text], half, SMALL)
        drawn.add_text(shapes, Box(left, bottom + 0.3, half, height), [text], SMALL, colour=MUTED, side=side)
