"""Texts whose fields stand between single quotation marks: `1042,'Moor, Hazel',14`. They are put between double ones."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence

_LOOK_AT = 300
_LEAST_FIELDS = 2  # with a delimiter between two marks


def marked_delimiter(lines: Sequence[str], delimiters: Sequence[str]) -> str | None:
    """The delimiter of lines that single quotation marks alone cut into as many fields each; None for other texts.

    Some field must hold the delimiter, so that the lines fall apart without the marks, and no double mark may be there.
    """
    filled = [line for line in lines[:_LOOK_AT] if line.strip()]
    if any('"' in line for line in filled) or sum("'" in line for line in filled) < _LEAST_FIELDS:
        return None
    for sign in delimiters:
        cut = [_fields(line, sign) for line in filled]
        width = len(cut[0])
        held = sum(sign in field for fields in cut for field in fields)
        if width > 1 and held >= _LEAST_FIELDS and all(len(fields) == width for fields in cut):
            return sign
    return None


def remarked(line: str, delimiter: str) -> str:
    """One line, with its line end, with double quotation marks in place of the single ones."""
    text = line.rstrip("\r\n")
    if "'" not in text:
        return line
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, lineterminator="").writerow(_fields(text, delimiter))
    return out.getvalue() + line[len(text) :]


def remark_pieces(pieces: Iterator[bytes], delimiter: str) -> Iterator[bytes]:
    """UTF-8 text, in pieces of any size, with every line changed so."""
    held = b""
    for piece in pieces:
        whole, found, held = (held + piece).rpartition(b"\n")
        if found:
            yield _changed(whole + found, delimiter)
    if held:
        yield _changed(held, delimiter)


def _changed(text: bytes, delimiter: str) -> bytes:
    return "".join(remarked(line, delimiter) for line in io.StringIO(text.decode(), newline="")).encode()


def _fields(line: str, delimiter: str) -> list[str]:
    try:
        reader = csv.reader([line.rstrip("\r\n")], delimiter=delimiter, quotechar="'", skipinitialspace=False)
        return next(reader, [])
    except csv.Error:
        return []
