"""The records of a text file that a fast parser cannot be trusted with: each comes out once, sound or malformed."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, islice
from typing import NamedTuple

from pipeline.machine.errors import DataError

_BLOCK_LINES = 2_000
# A quoted field of more lines than this is a quotation mark that was never closed.
_MAX_LINES = 200


class Record(NamedTuple):
    """One record: its fields, None if it cannot be cut into fields; its text, empty if it is a sound row."""

    fields: list[str] | None
    line: str


@dataclass(frozen=True)
class Block:
    """Some consecutive records. Either `text`, in which every line is a sound row; or `records`."""

    rows: int
    text: str | None
    records: list[Record]


def read_blocks(
    lines: Iterator[str], more: Iterator[str], *, delimiter: str, width: int, loose: Loose | None = None
) -> Iterator[Block]:
    """Cut lines into records of `width` fields, a block of lines at a time. Blank lines are no records.

    Where a column is `loose`, a record with too many fields has the ones too many put back into it.

    A line whose quotation mark stays open may go on over the next lines, at the end over lines taken from `more`. If no
    sound row comes of that, the line alone is malformed, and the lines after it are read for themselves.
    """
    while block := list(islice(lines, _BLOCK_LINES)):
        rows, _ = _strict(block, delimiter)
        if len(rows) == len(block) and all(len(row) == width for row in rows):
            yield Block(len(rows), "".join(block), [])
            continue
        records = _one_by_one(block[::-1], chain(lines, more), delimiter, width)
        if loose is not None:
            records = (_fitted(record, loose) for record in records)
        while held := list(islice(records, _BLOCK_LINES)):
            yield Block(len(held), None, held)


def _fitted(record: Record, loose: Loose) -> Record:
    fields = loose.fitted(record.fields) if record.line else None
    return record if fields is None else Record(fields, "")


def count_rows(lines: Iterator[str], *, delimiter: str, width: int) -> int | None:
    """How many rows there are, if all is sound by the letter of RFC 4180; else None."""
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    count = line_number = 0
    try:
        for row in reader:
            if row and (len(row) != width or reader.line_num - line_number > _MAX_LINES):
                return None
            line_number = reader.line_num
            count += bool(row)
    except csv.Error:
        return None
    return count


def _one_by_one(waiting: list[str], lines: Iterator[str], delimiter: str, width: int) -> Iterator[Record]:
    """The records of the lines in `waiting` (the next one last); one that stays open may take more from `lines`."""
    while waiting:
        line = waiting.pop()
        if not line.strip():
            continue
        fields, is_open = alone, _ = _parse_line(line, delimiter, width)
        taken = [line]
        while is_open and len(taken) < _MAX_LINES and (following := waiting.pop() if waiting else next(lines, "")):
            taken.append(following)
            if '"' in following:
                rows, is_open = _strict(taken, delimiter)
                fields = rows[0] if len(rows) == 1 else None
        if fields is not None and len(fields) == width:
            yield Record(fields, "")
        else:
            yield Record(alone, line.rstrip("\r\n"))
            waiting.extend(reversed(taken[1:]))


def _parse_line(line: str, delimiter: str, width: int) -> tuple[list[str] | None, bool]:
    """The fields of one line, and whether a quotation mark in it stays open so that the record may go on."""
    if '"' not in line or (alike := _with_ditto_marks(line, delimiter, width)):
        return alike if '"' in line else line.rstrip("\r\n").split(delimiter), False
    rows, is_open = _strict([line], delimiter)
    if rows or is_open:
        return (rows[0] if len(rows) == 1 else None), is_open
    try:  # a second line is swallowed by an open quotation mark, and stands alone after a closed one
        rows = list(csv.reader([line, "x\n"], delimiter=delimiter))
    except csv.Error:
        return None, False
    return (rows[0] if len(rows) == 2 else None), False


def _with_ditto_marks(line: str, delimiter: str, width: int) -> list[str] | None:
    """The fields of a line in which quotation marks stand alone in fields, for the same again; else None. Every field
    is then there without them, whereas marks around a field that holds the delimiter leave too many. In the last field
    a mark alone may begin a text that goes on in the next line."""
    cells = line.rstrip("\r\n").split(delimiter)
    if len(cells) != width or cells[-1].strip() == '"':
        return None
    return cells if all('"' not in cell or cell.strip() == '"' for cell in cells) else None


def _strict(lines: list[str], delimiter: str) -> tuple[list[list[str]], bool]:
    """The records in `lines` by the letter of RFC 4180, none if one is not, and whether more lines might mend that."""
    try:
        return list(csv.reader(lines, delimiter=delimiter, strict=True)), False
    except csv.Error as error:
        return [], "end of data" in str(error)


@dataclass(frozen=True)
class Loose:
    """`place` is the column, from 0, `width` how many columns there are; `most` how many fields may be too many."""

    place: int
    width: int
    delimiter: str
    most: int | None

    def fitted(self, fields: list[str] | None) -> list[str] | None:
        """The fields with those too many put back into the column; None if they cannot be."""
        if fields is None or len(fields) <= self.width:
            return None
        over = len(fields) - self.width
        if self.most is not None and over > self.most:
            return None
        end = self.place + over + 1
        if self.most is not None and not _is_name(fields[self.place : end]):
            return None
        return [*fields[: self.place], self.delimiter.join(fields[self.place : end]), *fields[end:]]


def loose_place(headings: Sequence[str], delimiter: str, told: Sequence[str], *, file: str) -> Loose | None:
    """The loose column; the last one takes any number of fields, another one a single further one. Raises DataError if
    no column has the heading told, or several are told: which of them a field belongs to cannot be seen."""
    if not told:
        return None
    if len(told) > 1:
        raise DataError(f"{file}: loose_columns names {len(told)} columns, and only one can take what is too much.")
    if (name := told[0].strip()) not in headings:
        raise DataError(f'{file}: has no column "{name}", which loose_columns names. Correct it in the TOML.')
    place = list(headings).index(name)
    return Loose(place, len(headings), delimiter, None if place == len(headings) - 1 else 1)


def _is_name(parts: Sequence[str]) -> bool:
    """Whether two fields may be the halves of a name or of words: neither holds a digit, and both hold a letter."""
    return all(any(c.isalpha() for c in p) and not any(c.isdigit() for c in p) for p in parts)
