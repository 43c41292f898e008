"""Texts with marks around fields in a way of their own: `1042,'Moor, Hazel',14`, with `\\"` for a mark within, or with
each whole line as one field, as a spreadsheet writes lines that all stand in its first column.

They are put between double marks, as CSV has them (RFC 4180).
"""

import csv
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import polars as pl

_ESCAPED = re.compile(r"\\([\"\\])")
_LOOK_AT = 300
_LEAST_FIELDS = 2  # with a delimiter between two marks
_SIGNS = (",", ";", "\t", "|")
_NEARLY_ALL = 0.95
_LEAST_CUT = 3  # a ledger has a patient, a day and a code


@dataclass(frozen=True)
class Marks:
    """How fields are marked: the delimiter, the mark around them, whether a mark within has a backslash before it, and
    whether there is one field a line, which holds the others with marks of their own, and whether fields go over
    lines."""

    delimiter: str
    mark: str
    has_backslash: bool
    is_line: bool = False
    over_lines: bool = False  # a field may hold line ends


def marks_of(lines: Sequence[str], delimiters: Sequence[str]) -> Marks | None:
    """How lines are marked that such marks alone cut into as many fields each; None for other texts. Some field must
    hold the delimiter, so that the lines fall apart if they are read otherwise."""
    filled = [line for line in lines[:_LOOK_AT] if line.strip()]
    whole = [inner for line in filled if (inner := _whole(line)) is not None]
    if len(whole) == len(filled) and (sign := delimiter_within(whole, delimiters)):
        return Marks(sign, '"', has_backslash=False, is_line=True)
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
        if way.has_backslash and _over_lines(lines[:_LOOK_AT], way, whole=len(lines) <= _LOOK_AT):
            return replace(way, over_lines=True)
    return None


def _over_lines(lines: Sequence[str], way: Marks, *, whole: bool) -> bool:
    """Whether lines with line ends within fields are records of one width, the last one left aside if it may be cut."""
    records: list[list[str]] = []
    try:
        reader = csv.reader(lines, delimiter=way.delimiter, quotechar=way.mark, escapechar="\\", strict=True)
        records.extend(record for record in reader if record)
    except csv.Error:
        if whole:
            return False
    records = records if whole else records[:-1]
    widths = {len(record) for record in records}
    held = sum(way.delimiter in field or "\n" in field for record in records for field in record)
    return len(records) >= _LEAST_FIELDS and len(widths) == 1 and widths.pop() >= _LEAST_CUT and held >= _LEAST_FIELDS


def delimiter_within(texts: Sequence[str], delimiters: Sequence[str]) -> str | None:
    """The delimiter that cuts all texts, each a line of a CSV in one field, into as many fields."""
    if len(texts) < _LEAST_FIELDS:
        return None
    for sign in delimiters:
        widths = {len(fields_of(text, sign)) for text in texts}
        if len(widths) == 1 and widths.pop() >= _LEAST_CUT:
            return sign
    return None


def fields_of(text: str, delimiter: str) -> list[str]:
    """The fields of one line of a CSV; none if it is not one."""
    return _fields(text, Marks(delimiter, '"', has_backslash=False))


def in_columns(cells: pl.DataFrame) -> pl.DataFrame:
    """A sheet of one column, whose cells are the lines of a CSV, cut into columns `1` and so on; another as it is. A
    line with other than the usual number of fields, as a title above the headings, stays in the first column."""
    if cells.width != 1:
        return cells
    texts = cells.to_series().to_list()
    filled = [text for text in texts if text]
    cuts = {sign: [fields_of(text, sign) for text in filled[:_LOOK_AT]] for sign in _SIGNS}
    for sign, cut in cuts.items():
        (width, n), *_ = Counter(map(len, cut)).most_common(1) or [(0, 0)]
        if width >= _LEAST_CUT and n >= _NEARLY_ALL * len(cut) and n >= _LEAST_FIELDS:
            rows = [fields_of(text or "", sign) for text in texts]
            whole = [
                row if len(row) == width else [text, *[None] * (width - 1)]
                for row, text in zip(rows, texts, strict=True)
            ]
            schema = {str(n): pl.String() for n in range(1, width + 1)}
            frame = pl.DataFrame(whole, schema=schema, orient="row")
            return frame.select(pl.when(pl.all().str.strip_chars().str.len_bytes() > 0).then(pl.all()))
    return cells


def remarked(line: str, marks: Marks) -> str:
    """One line, with its line end, marked as CSV is."""
    text = line.rstrip("\r\n")
    if marks.mark not in text:
        return line
    if marks.over_lines:
        return _ESCAPED.sub(lambda met: '""' if met[1] == '"' else met[1], line)
    if marks.is_line and (inner := _whole(line)) is not None:
        return inner + line[len(text) :]
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=marks.delimiter, lineterminator="").writerow(_fields(text, marks))
    return out.getvalue() + line[len(text) :]


def _whole(line: str) -> str | None:
    """What stands in a line that is one marked field."""
    text = line.rstrip("\r\n")
    if len(text) < _LEAST_FIELDS or not (text[0] == text[-1] == '"'):
        return None
    inner = text[1:-1]
    return inner.replace('""', '"') if '"' not in inner.replace('""', "") else None


def _fields(line: str, marks: Marks) -> list[str]:
    escape = "\\" if marks.has_backslash else None
    try:
        reader = csv.reader([line.rstrip("\r\n")], delimiter=marks.delimiter, quotechar=marks.mark, escapechar=escape)
        return next(reader, [])
    except csv.Error:
        return []
