"""Texts with marks around fields in a way of their own: `1042,'Moor, Hazel',14`, or with `\\"` for a mark within.

They are put between double marks, as CSV has them (RFC 4180).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

_LOOK_AT = 300
_LEAST_FIELDS = 2  # with a delimiter between two marks


@dataclass(frozen=True)
class Marks:
    """How fields are marked: the delimiter, the mark around them, whether a mark within has a backslash before it."""

    delimiter: str
    mark: str
    has_backslash: bool


def marks_of(lines: Sequence[str], delimiters: Sequence[str]) -> Marks | None:
    """How lines are marked that such marks alone cut into as many fields each; None for other texts.

    Some field must hold the delimiter, so that the lines fall apart if they are read otherwise.
    """
    filled = [line for line in lines[:_LOOK_AT] if line.strip()]
    if any('\\"' in line for line in filled):
        ways = [Marks(sign, '"', has_backslash=True) for sign in delimiters]
    elif any('"' in line for line in filled) or sum("'" in line for line in filled) < _LEAST_FIELDS:
        return None
    else:
        ways = [Marks(sign, "'", has_backslash=False) for sign in delimiters]
    for way in ways:
        cut = [_fields(line, way) for line in filled]
        width = len(cut[0])
        held = sum(way.delimiter in field for fields in cut for field in fields)
        if width > 1 and held >= _LEAST_FIELDS and all(len(fields) == width for fields in cut):
            return way
    return None


def remarked(line: str, marks: Marks) -> str:
    """One line, with its line end, marked as CSV is."""
    text = line.rstrip("\r\n")
    if marks.mark not in text:
        return line
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=marks.delimiter, lineterminator="").writerow(_fields(text, marks))
    return out.getvalue() + line[len(text) :]


def remark_pieces(pieces: Iterator[bytes], marks: Marks) -> Iterator[bytes]:
    """UTF-8 text, in pieces of any size, with every line changed so."""
    held = b""
    for piece in pieces:
        whole, found, held = (held + piece).rpartition(b"\n")
        if found:
            yield _changed(whole + found, marks)
    if held:
        yield _changed(held, marks)


def _changed(text: bytes, marks: Marks) -> bytes:
    return "".join(remarked(line, marks) for line in io.StringIO(text.decode(), newline="")).encode()


def _fields(line: str, marks: Marks) -> list[str]:
    escape = "\\" if marks.has_backslash else None
    try:
        reader = csv.reader([line.rstrip("\r\n")], delimiter=marks.delimiter, quotechar=marks.mark, escapechar=escape)
        return next(reader, [])
    except csv.Error:
        return []
