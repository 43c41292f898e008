"""How much room text takes on a slide, guessed a little too large, so that nothing runs over its box.

No font need be installed: letters are taken as wide as those of common sans-serif faces, and a little wider.
"""

from collections.abc import Sequence

LINE = 1.22  # of the type size
MARGIN = 0.1  # inches above and below the text of a table cell, together
SIDES = 0.16  # inches left and right of the text of a table cell, together
GAP = 0.09  # inches between two paragraphs
BULLET = 0.25  # inches that a point is set in
WIDER = 1.16  # of bold letters, and of the serif ones of titles where their own face is not installed
_NARROW, _WIDE = frozenset("iljtfrI.,;:'|!()[] ’"), frozenset("mwMW%@—QOGDHNUC")


def wrapped(text: str, inches: float, points: float, *, bold: bool = False) -> int:
    """The lines that `text` takes in a box `inches` wide; a word too long for a line is broken."""
    room = inches * 72 / points
    lines, used = 1, 0.0
    for word in text.split():
        width = _width(word) * (WIDER if bold else 1.0)
        if used and used + _width(" ") + width > room:
            lines, used = lines + 1, 0.0
        if width > room:
            extra = int(width / room)
            lines, width = lines + extra, width - extra * room
        used += width + (_width(" ") if used else 0.0)
    return lines


def text_height(lines: Sequence[str], inches: float, points: float, *, bold: bool = False) -> float:
    """Inches that paragraphs take, with the gaps between them."""
    rows = sum(wrapped(t, inches, points, bold=bold) for t in lines)
    return rows * points * LINE / 72 + GAP * max(len(lines) - 1, 0)


def row_height(cells: Sequence[str], widths: Sequence[float], points: float, *, bold: bool = False) -> float:
    """Inches that one row of a table takes; `widths` are those of its columns in inches."""
    rows = max(wrapped(t, w - SIDES, points, bold=bold) for t, w in zip(cells, widths, strict=True))
    return rows * points * LINE / 72 + MARGIN


def largest(sizes: Sequence[int], lines: Sequence[str], inches: float, height: float, *, bold: bool = False) -> int:
    """The first of `sizes`, from large to small, at which the paragraphs fit; the last where none does."""
    return next((s for s in sizes if text_height(lines, inches, s, bold=bold) <= height), sizes[-1])


def pages(heights: Sequence[float], room: float) -> list[range]:
    """Cut rows into as few pages as fit the room, in order and about equally full; a row too high stands alone."""
    cut = _filled(heights, room)
    low, high = 0.0, room
    for _ in range(20):  # the least room that needs no page more
        middle = (low + high) / 2
        low, high = (low, middle) if len(_filled(heights, middle)) == len(cut) else (middle, high)
    return _filled(heights, high)


def _filled(heights: Sequence[float], room: float) -> list[range]:
    """Each page as full as it can be."""
    out, start, used = [], 0, 0.0
    for i, h in enumerate(heights):
        if i > start and used + h > room:
            out.append(range(start, i))
            start, used = i, 0.0
        used += h
    return [*out, range(start, len(heights))] if heights else []


def apart(wanted: Sequence[tuple[float, float]], top: float, bottom: float) -> list[float]:
    """Upper edges for boxes (wanted upper edge and height, from above) so that none touches another, in the room.

    Each stays where it is wanted as far as those above and below it allow; where the room is too small they stand one
    under the other from its top.
    """
    edges: list[float] = []
    for edge, _ in wanted:
        above = edges[-1] + wanted[len(edges) - 1][1] if edges else top
        edges.append(max(edge, above))
    limit = bottom
    for i in range(len(edges) - 1, -1, -1):
        edges[i] = min(edges[i], limit - wanted[i][1])
        limit = edges[i]
    if edges and edges[0] < top:
        edges = [top + sum(h for _, h in wanted[:i]) for i in range(len(wanted))]
    return edges


def _width(word: str) -> float:
    """In units of the type size."""
    return sum(0.3 if c in _NARROW else 0.86 if c in _WIDE else 0.68 if c.isupper() else 0.57 for c in word)
