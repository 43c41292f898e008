"""CSV and its relatives: every record of the file comes out once, as a row of text or as a malformed line.

A fast parser reads files whose records are all sound. Where it meets one that is not, or a line break inside a field,
the file is read line by line instead, so that one stray quotation mark costs its own line and no other.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.csv as pa_csv

from pipeline.errors import DataError
from pipeline.sources.source import MALFORMED_SCHEMA, Batch, ReadOptions, unique_headings

DELIMITERS = (",", ";", "\t", "|")
_SAMPLE_BYTES = 1 << 16
_BLOCK_BYTES = 1 << 23
_BATCH_ROWS = 100_000
# A quoted field of more lines than this is a quotation mark that was never closed.
_MAX_LINES = 200
_UTF8 = ("utf-8", "utf-8-sig")


@dataclass
class CsvFile:
    """An opened text file; see `pipeline.sources.source.Source`."""

    path: Path
    encoding: str
    delimiter: str
    headings: list[str]
    header_lines: int
    _sound: bool | None = field(default=None, repr=False)

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """Rows from the start of the file; see `Source.batches`."""
        if self._sound is None:
            self._sound = self._is_sound()
        if self._sound:
            yield from self._fast(headings)
        else:
            yield from self._careful(headings)

    def _is_sound(self) -> bool:
        """Whether the fast parser can be trusted: right widths, no line break within a field, text throughout."""
        malformed: list[None] = []
        try:
            for batch in self._arrow(None, malformed):
                if malformed or any(_has_line_break(column) for column in batch.columns):
                    return False
        except (pa.ArrowInvalid, UnicodeError):
            return False
        return not malformed

    def _fast(self, headings: Sequence[str] | None) -> Iterator[Batch]:
        first = 1
        for batch in self._arrow(headings, []):
            numbers = pl.int_range(first, first + batch.num_rows, dtype=pl.Int64, eager=True)
            first += batch.num_rows
            frame = pl.DataFrame(pl.from_arrow(batch))
            yield Batch(numbers, frame, pl.DataFrame(schema=MALFORMED_SCHEMA))

    def _arrow(self, headings: Sequence[str] | None, malformed: list[None]) -> Iterator[Any]:
        def skip(_: Any) -> str:
            malformed.append(None)
            return "skip"

        with self.path.open("rb") as stream:
            for _ in range(self.header_lines):
                if not stream.readline().endswith((b"\n", b"\r")):
                    return  # nothing under the heading
            stream.seek(0)
            yield from pa_csv.open_csv(
                stream,
                read_options=pa_csv.ReadOptions(
                    block_size=_BLOCK_BYTES,
                    column_names=self.headings,
                    skip_rows=self.header_lines,
                    encoding=self.encoding,
                ),
                parse_options=pa_csv.ParseOptions(
                    delimiter=self.delimiter, newlines_in_values=True, invalid_row_handler=skip
                ),
                convert_options=pa_csv.ConvertOptions(
                    column_types=dict.fromkeys(self.headings, pa.string()),
                    strings_can_be_null=False,
                    include_columns=list(headings) if headings is not None else None,
                ),
            )

    def _careful(self, headings: Sequence[str] | None) -> Iterator[Batch]:
        wanted = self.headings if headings is None else list(headings)
        places = [self.headings.index(h) for h in wanted]
        records = enumerate(_records(self._lines(), self.delimiter, len(self.headings)), 1)
        while chunk := list(islice(records, _BATCH_ROWS)):
            sound = [(n, fields) for n, (fields, _) in chunk if fields is not None]
            columns = list(zip(*(fields for _, fields in sound), strict=True)) or [()] * len(self.headings)
            yield Batch(
                pl.Series("row_number", [n for n, _ in sound], dtype=pl.Int64),
                pl.DataFrame({h: pl.Series(h, columns[p], dtype=pl.String) for h, p in zip(wanted, places, strict=True)}),
                pl.DataFrame(
                    [(n, line) for n, (fields, line) in chunk if fields is None], schema=MALFORMED_SCHEMA, orient="row"
                ),
            )

    def _lines(self) -> Iterator[str]:
        with self.path.open(encoding=self.encoding, newline="") as stream:
            try:
                yield from islice(stream, self.header_lines, None)
            except UnicodeDecodeError as error:
                raise _not_text(self.path, self.encoding) from error


def open_csv(path: Path, options: ReadOptions) -> CsvFile:
    """Look at the first lines of a text file: encoding, delimiter and headings.

    Raises
    ------
    DataError
        If the file is empty, is no text, or is text in another encoding than told.
    """
    sample = _sample(path)
    if not sample.strip():
        raise DataError(f"{path.name}: the file is empty. Export it again, or leave it out.")
    encoding = options.encoding or ("utf-16" if sample[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8")
    encoding = "utf-8-sig" if encoding.lower().replace("_", "-") in ("utf-8", "utf8") else encoding
    if sample[:4] == b"PK\x03\x04":
        raise DataError(f"{path.name}: this is a workbook or zip archive, not a text file. Save the sheet as CSV.")
    if b"\0" in sample and "16" not in encoding and "32" not in encoding:
        raise DataError(
            f"{path.name}: holds NUL bytes, so it is no text file that can be read. Save it as CSV in UTF-8."
        )
    try:
        text = sample.decode(encoding, errors="strict" if len(sample) < _SAMPLE_BYTES else "ignore")
    except UnicodeError as error:
        raise _not_text(path, encoding) from error
    blank = 0
    while (line := text.partition("\n")[0]) != text and not line.strip():
        text, blank = text.partition("\n")[2], blank + 1
    delimiter = options.delimiter or _delimiter(text, options.wanted)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    headings = unique_headings(next(reader, []))
    return CsvFile(path, encoding, delimiter, headings, blank + reader.line_num)


def _sample(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(_SAMPLE_BYTES)
    except OSError as error:
        raise DataError(f"{path.name}: the file cannot be opened. Close it elsewhere, or check that you may read it.") from error


def _delimiter(text: str, wanted: Sequence[str]) -> str:
    """The delimiter under which most wanted headings appear, then the one that gives most fields."""

    def worth(delimiter: str) -> tuple[int, int]:
        headings = {h.strip() for h in next(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), [])}
        return len(headings & set(wanted)), len(headings)

    return max(DELIMITERS, key=worth)


def _records(lines: Iterator[str], delimiter: str, width: int) -> Iterator[tuple[list[str] | None, str]]:
    """Each record as its fields and text; fields are None where the line is no row of `width` fields."""
    waiting: list[str] = []
    while True:
        line = waiting.pop() if waiting else next(lines, None)
        if line is None:
            return
        if not line.strip():
            continue
        fields, open_quote = _parse_line(line, delimiter)
        if open_quote:
            taken = [line]
            while fields is None and len(taken) < _MAX_LINES:
                following = waiting.pop() if waiting else next(lines, None)
                if following is None:
                    break
                taken.append(following)
                if '"' in following:
                    fields = _strict("".join(taken), delimiter)
            if fields is None or len(fields) != width:
                fields = None
                waiting.extend(reversed(taken[1:]))
            else:
                line = "".join(taken)
        yield (fields if fields is not None and len(fields) == width else None), line.rstrip("\r\n")


def _parse_line(line: str, delimiter: str) -> tuple[list[str] | None, bool]:
    """The fields of one line, and whether a quotation mark in it stays open so that the record may go on."""
    if '"' not in line:
        return line.rstrip("\r\n").split(delimiter), False
    if (fields := _strict(line, delimiter)) is not None:
        return fields, False
    try:
        # A second line is swallowed by an open quotation mark, and stands alone after a closed one.
        rows = list(csv.reader([line, "x\n"], delimiter=delimiter))
    except csv.Error:
        return None, False
    return (rows[0], False) if len(rows) == 2 else (None, True)


def _strict(text: str, delimiter: str) -> list[str] | None:
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error:
        return None
    return rows[0] if len(rows) == 1 else None


def _has_line_break(column: Any) -> bool:
    data = column.buffers()[2]
    return data is not None and any(mark in memoryview(data).tobytes() for mark in (b"\n", b"\r"))


def _not_text(path: Path, encoding: str) -> DataError:
    name = "UTF-8" if encoding in _UTF8 else encoding
    line = ""
    if encoding in _UTF8:
        with path.open("rb") as stream:
            for number, content in enumerate(stream, 1):
                try:
                    content.decode("utf-8")
                except UnicodeDecodeError:
                    line = f", first at line {number:,}"
                    break
    return DataError(
        f"{path.name}: the file is not {name} text{line}.\n"
        '  Export it as UTF-8, or say under its table how it is written, e.g. encoding = "windows-1252".'
    )
