"""CSV and its relatives: every record of the file comes out once, as a row of text or as a malformed line.

A fast parser reads files whose records are all sound. Where it meets one that is not, the file is read line by line
instead, so that one stray quotation mark costs its own line and no other.
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
from pipeline.sources.csv_records import Block, count_rows, read_blocks
from pipeline.sources.source import MALFORMED_SCHEMA, Batch, ReadOptions, Spoken, malformed_lines, unique_headings

DELIMITERS = (",", ";", "\t", "|")
_SAMPLE_BYTES = 1 << 16
_BLOCK_BYTES = 1 << 23
_BATCH_PIECES = 50
_UTF8 = ("utf-8", "utf-8-sig")


@dataclass
class CsvFile:
    """An opened text file; see `pipeline.sources.source.Source`."""

    path: Path
    encoding: str
    delimiter: str
    headings: list[str]
    header_lines: int
    spoken: Spoken = field(default_factory=Spoken)
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
        """Whether the fast parser can be trusted with this file.

        It can if every record has the right width. A line break within a field may be a quotation mark that was never
        closed and swallowed the next rows; then the strict parser must find the same rows.
        """
        malformed: list[None] = []
        rows, line_breaks = 0, False
        try:
            for batch in self._parse(None, malformed):
                if malformed:
                    return False
                rows += batch.num_rows
                line_breaks = line_breaks or any(_has_line_break(column) for column in batch.columns)
        except (pa.ArrowInvalid, UnicodeError):
            return False
        if malformed:
            return False
        return not line_breaks or rows == count_rows(self._lines(), delimiter=self.delimiter, width=len(self.headings))

    def _fast(self, headings: Sequence[str] | None) -> Iterator[Batch]:
        first = 1
        malformed: list[None] = []
        for batch in self._parse(headings, malformed):
            if malformed:
                raise DataError(f"{self.path.name}: the file changed while it was read. Run again.")
            yield _sound_batch(batch, first)
            first += batch.num_rows

    def _careful(self, headings: Sequence[str] | None) -> Iterator[Batch]:
        wanted = self.headings if headings is None else list(headings)
        pieces = self._pieces(wanted)
        while held := list(islice(pieces, _BATCH_PIECES)):
            yield Batch(
                pl.concat([piece.numbers for piece in held]),
                pl.concat([piece.rows for piece in held]),
                pl.concat([piece.malformed for piece in held]),
            )

    def _pieces(self, headings: list[str]) -> Iterator[Batch]:
        first = 1
        for block in read_blocks(self._lines(), delimiter=self.delimiter, width=len(self.headings)):
            if block.text is not None:
                table = pa_csv.read_csv(
                    io.BytesIO(block.text.encode()),
                    read_options=pa_csv.ReadOptions(column_names=self.headings),
                    **self._arrow_options(headings, []),
                )
                yield _sound_batch(table, first)
            else:
                yield self._mixed_batch(block, first, headings)
            first += block.rows

    def _mixed_batch(self, block: Block, first: int, headings: list[str]) -> Batch:
        numbered = list(enumerate(block.records, first))
        sound = [(n, fields) for n, (fields, _) in numbered if fields is not None]
        malformed = [(n, line) for n, (fields, line) in numbered if fields is None]
        columns = list(zip(*(fields for _, fields in sound), strict=True)) or [()] * len(self.headings)
        return Batch(
            pl.Series("row_number", [n for n, _ in sound], dtype=pl.Int64),
            pl.DataFrame({h: pl.Series(h, columns[self.headings.index(h)], dtype=pl.String) for h in headings}),
            malformed_lines(malformed),
        )

    def _parse(self, headings: Sequence[str] | None, malformed: list[None]) -> Iterator[Any]:
        """The whole file by the fast parser; a record of the wrong width is skipped and noted in `malformed`."""
        with self.path.open(encoding=self.encoding, newline="") as text:
            if next(islice(text, self.header_lines, None), None) is None:
                return  # nothing under the heading
        with self.path.open("rb") as stream:
            yield from pa_csv.open_csv(
                stream,
                read_options=pa_csv.ReadOptions(
                    block_size=_BLOCK_BYTES,
                    column_names=self.headings,
                    skip_rows=self.header_lines,
                    encoding="utf8" if self.encoding in _UTF8 else self.encoding,
                ),
                **self._arrow_options(headings, malformed),
            )

    def _arrow_options(self, headings: Sequence[str] | None, malformed: list[None]) -> dict[str, Any]:
        def skip(_: Any) -> str:
            malformed.append(None)
            return "skip"

        return {
            "parse_options": pa_csv.ParseOptions(
                delimiter=self.delimiter, newlines_in_values=True, invalid_row_handler=skip
            ),
            "convert_options": pa_csv.ConvertOptions(
                column_types=dict.fromkeys(self.headings, pa.string()),
                strings_can_be_null=False,
                include_columns=list(headings) if headings is not None else None,
            ),
        }

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
    lines = io.StringIO(text, newline="").readlines()
    blank = next(n for n, line in enumerate(lines) if line.strip())
    text = "".join(lines[blank:])
    delimiter = options.delimiter or _delimiter(text, options.wanted)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    headings = unique_headings(next(reader, []))
    return CsvFile(path, encoding, delimiter, headings, blank + reader.line_num)


def _sample(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(_SAMPLE_BYTES)
    except OSError as error:
        raise DataError(
            f"{path.name}: the file cannot be opened. Close it elsewhere, or check that you may read it."
        ) from error


def _delimiter(text: str, wanted: Sequence[str]) -> str:
    """The delimiter under which most wanted headings appear, then the one that gives most fields."""

    def worth(delimiter: str) -> tuple[int, int]:
        headings = {h.strip() for h in next(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), [])}
        return len(headings & set(wanted)), len(headings)

    return max(DELIMITERS, key=worth)


def _sound_batch(rows: Any, first: int) -> Batch:
    numbers = pl.int_range(first, first + rows.num_rows, dtype=pl.Int64, eager=True)
    return Batch(numbers, pl.DataFrame(pl.from_arrow(rows)), pl.DataFrame(schema=MALFORMED_SCHEMA))


def _has_line_break(column: Any) -> bool:
    data = column.buffers()[2]
    text = b"" if data is None else memoryview(data).tobytes()
    return b"\n" in text or b"\r" in text


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
