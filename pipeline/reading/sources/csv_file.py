"""CSV and its relatives: every record of the file comes out once, as a row of text or as a line set aside.

The file is read once, a block of lines at a time. A fast parser reads blocks whose records are all sound. Where it
meets one that is not, the block is read line by line instead, so that one stray quotation mark costs its own line and
no other.
"""

import csv
import io
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.csv as pa_csv

from pipeline.machine.errors import DataError
from pipeline.reading.sources.csv_records import Block, Loose, Record, count_rows, loose_place, read_blocks
from pipeline.reading.sources.fixed_width import BETWEEN, cut_line, find_starts
from pipeline.reading.sources.plain_bytes import line_at
from pipeline.reading.sources.single_marks import Marks, marks_of, remarked
from pipeline.reading.sources.source import MALFORMED_SCHEMA, Batch, ReadOptions, Spoken, aside, together
from pipeline.reading.sources.text_blocks import MAX_LINE_BYTES, Blocks, as_lines, changed_lines, count_lines, long_line
from pipeline.reading.sources.text_encoding import TextBytes
from pipeline.reading.sources.text_headings import DELIMITERS, Layout, find_layout
from pipeline.reading.sources.text_notes import line_reason, notes_among, refuse_other_headings

_SAMPLE_BYTES = MAX_LINE_BYTES + (1 << 16)
# Bytes that the fast parser takes at once: less than that gives its threads nothing to share, and a process that ends
# soon after they began may be aborted by them (github.com/apache/arrow/issues/34314).
_OF_ONE_THREAD = 1 << 20
_BATCH_PIECES = 50
_LOOK_AT_PRINTED = 300
_SIGNS = {",": "a comma", ";": "a semicolon", "\t": "a tab", "|": "an upright stroke"}


@dataclass
class CsvFile:
    """An opened text file; see `pipeline.reading.sources.source.Source`. `remark` is None, or a line that the user
    should see about how the file was read; it is there once all batches have been taken."""

    path: Path
    layout: Layout
    starts: tuple[int, ...] = ()  # where the fields of a line begin, if nothing stands between them
    loose: Loose | None = None
    above: tuple[str, ...] = ()
    marked: Marks | None = None  # how fields are marked, if otherwise than in CSV
    _text: TextBytes = field(kw_only=True, repr=False)
    _stamp: tuple[int, int] = field(kw_only=True, repr=False)
    # First rows of the blocks with line breaks in fields that the strict parser has found sound.
    _found_sound: set[int] = field(default_factory=set, init=False, repr=False)

    @property
    def headings(self) -> list[str]:
        """See `Source.headings`."""
        return self.layout.headings

    @property
    def delimiter(self) -> str:
        """What stands between the fields."""
        return self.layout.delimiter

    @property
    def spoken(self) -> Spoken:
        """See `Source.spoken`: of itself a text says nothing but how it was cut."""
        if self.starts:
            cut = "fields by their places"
        else:
            cut = f"fields end at {_SIGNS.get(self.delimiter, repr(self.delimiter))}"
        at = f"headings in line {self.layout.lines_above}" if self.layout.said else "no headings"
        return Spoken(how=f"{cut}, {at}", above=self.above)

    @property
    def remark(self) -> str | None:
        """What the user should know of how the file was read."""
        return self._text.remark

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """Rows from the start of the file; see `Source.batches`. Raises DataError if the text is not what it seemed
        (another encoding, NUL bytes, an endless line, headings in another order, a damaged archive), or the file
        changed since it was opened."""
        wanted = self.headings if headings is None else list(headings)
        first = 1
        below = self._below_headings()
        if starts := self.starts:
            below = changed_lines(below, lambda line: cut_line(line, starts))
        if marks := self.marked:
            below = changed_lines(below, lambda line: remarked(line, marks))
        blocks = Blocks(below, file=self.path.name, line=self._line)
        while (block := blocks.block()) is not None:
            table = self._fast(block, wanted, first)
            for batch in self._careful(block, blocks, first, wanted) if table is None else [self._batch(table, first)]:
                yield batch
                first += len(batch.numbers) + batch.malformed.height
        if _stamp(self.path) != self._stamp:
            raise DataError(f"{self.path.name}: the file changed while it was read. Run again when it is complete.")

    def _below_headings(self) -> Iterator[bytes]:
        pieces, start = self._text.chunks(), b""
        for piece in pieces:
            start += piece
            if len(start) >= _SAMPLE_BYTES:
                break
        above = "".join(islice(_first_lines(start), self.layout.lines_above))
        yield start[len(above.encode()) :]
        yield from _read_ahead(pieces)

    def _line(self, offset: int) -> int:
        return self.layout.lines_above + line_at(self._below_headings(), offset)

    def _fast(self, block: bytes, headings: list[str], first: int) -> Any | None:
        """The rows of a block by the fast parser; None if it cannot be trusted with it.

        It can if every record has the right width and is one line. Where records are fewer than lines, lines may be
        blank or go on within quotation marks, or a mark that was never closed may have swallowed the next rows: then
        the strict parser must find the same rows.
        """
        if not self.delimiter.isascii():
            return None  # the fast parser knows none that takes more than a byte
        malformed: list[None] = []

        def skip(_: Any) -> str:
            malformed.append(None)
            return "skip"

        has_marks = b'"' in block
        try:
            table = pa_csv.read_csv(
                pa.BufferReader(block),
                read_options=pa_csv.ReadOptions(column_names=self.headings, use_threads=len(block) > _OF_ONE_THREAD),
                parse_options=pa_csv.ParseOptions(
                    delimiter=self.delimiter, newlines_in_values=has_marks, invalid_row_handler=skip
                ),
                convert_options=pa_csv.ConvertOptions(
                    check_utf8=False,  # the text was encoded or checked by us
                    column_types=dict.fromkeys(self.headings, pa.string()),
                    strings_can_be_null=False,
                    include_columns=headings,
                ),
            )
        except pa.ArrowInvalid:
            return None
        if malformed:
            return None
        if has_marks and table.num_rows != count_lines(block) and first not in self._found_sound:
            rows = count_rows(iter(as_lines(block)), delimiter=self.delimiter, width=len(self.headings))
            if rows != table.num_rows:
                return None
            self._found_sound.add(first)
        return table

    def _careful(self, block: bytes, blocks: Blocks, first: int, headings: list[str]) -> Iterator[Batch]:
        more = iter(blocks.line, "")
        records = read_blocks(
            iter(as_lines(block)), more, delimiter=self.delimiter, width=len(self.headings), loose=self.loose
        )
        pieces = self._pieces(records, first, headings)
        while held := list(islice(pieces, _BATCH_PIECES)):
            yield together(held)

    def _pieces(self, blocks: Iterator[Block], first: int, headings: list[str]) -> Iterator[Batch]:
        for block in blocks:
            table = None if block.text is None else self._fast(block.text.encode(), headings, first)
            if table is not None:
                yield self._batch(table, first)
            elif block.text is None:
                yield self._mixed_batch(block.records, first, headings)
            else:
                rows = csv.reader(io.StringIO(block.text, newline=""), delimiter=self.delimiter)
                yield self._mixed_batch([Record(row, "") for row in rows], first, headings)
            first += block.rows

    def _mixed_batch(self, records: list[Record], first: int, headings: list[str]) -> Batch:
        numbered = list(enumerate(records, first))
        sound = [(n, record.fields or []) for n, record in numbered if not record.line]
        odd = [(n, record) for n, record in numbered if record.line]
        columns = list(zip(*(fields for _, fields in sound), strict=True)) or [()] * len(self.headings)
        numbers = pl.Series("row_number", [n for n, _ in sound], dtype=pl.Int64)
        rows = pl.DataFrame({h: pl.Series(h, columns[self.headings.index(h)], dtype=pl.String) for h in headings})
        width = self.layout.said or [""] * len(self.headings)
        lines = [record.line.replace(BETWEEN, "  ") for _, record in odd]
        reasons = pl.Series([line_reason(record.fields, width) for _, record in odd], dtype=pl.String)
        return self._sorted_out(Batch(numbers, rows, aside((n for n, _ in odd), lines, reasons)))

    def _batch(self, table: Any, first: int) -> Batch:
        numbers = pl.int_range(first, first + table.num_rows, dtype=pl.Int64, eager=True)
        rows = pl.DataFrame(pl.from_arrow(table))
        return self._sorted_out(Batch(numbers, rows, pl.DataFrame(schema=MALFORMED_SCHEMA)))

    def _sorted_out(self, batch: Batch) -> Batch:
        """A batch without the rows that are headings again, or notes."""
        rows = batch.rows
        if rows.height:
            refuse_other_headings(rows, batch.numbers, self.layout.said, file=self.path.name)
        reasons = notes_among(rows, self.headings, self.layout.said) if rows.height else None
        if reasons is None:
            return batch
        lines = rows.select(pl.concat_str(pl.all(), separator=self.delimiter.replace(BETWEEN, "  "))).to_series()
        return batch.without(reasons.is_not_null(), lines, reasons)


def open_csv(path: Path, options: ReadOptions) -> CsvFile:
    """Look at the first lines of a text file, which may be gzipped: encoding, delimiter and headings. Raises DataError
    if the file is empty, is no text, or is text in another encoding than told."""
    text, stamp, sample = TextBytes(path, options.encoding), None, b""
    for piece in text.chunks(size=_SAMPLE_BYTES):
        stamp = stamp or _stamp(path)
        sample += piece
        if len(sample) >= _SAMPLE_BYTES:
            break
    lines = _first_lines(sample)
    if len(sample) >= _SAMPLE_BYTES:
        if len(lines) == 1:
            raise long_line(path.name, 1)
        lines.pop()  # it may be cut
    signs = (options.delimiter,) if options.delimiter else DELIMITERS
    marked = None if options.fixed_width else marks_of(lines, signs)
    if marked:
        lines = [remarked(line, marked) for line in lines]
    cut, between = lines, options
    if starts := options.fixed_width:
        cut, between = [cut_line(line, starts) for line in lines], replace(options, delimiter=BETWEEN)
    layout = find_layout(cut, between, file=path.name)
    if options.wanted and not options.fixed_width:
        _refuse_printed(lines, layout.headings, options, file=path.name)
    loose = loose_place(layout.headings, layout.delimiter, options.loose_columns, file=path.name)
    stamp = stamp or _stamp(path)
    above = tuple(line.strip() for line in lines[: max(layout.lines_above - 1, 0)])
    return CsvFile(
        path, layout, starts=options.fixed_width, loose=loose, above=above, marked=marked, _text=text, _stamp=stamp
    )


def _refuse_printed(lines: list[str], headings: list[str], options: ReadOptions, *, file: str) -> None:
    """Refuse a file whose fields stand at fixed places, where nothing says so, and show the places."""
    needed = set(options.needed)
    if needed <= set(headings) or not (starts := find_starts(lines[:_LOOK_AT_PRINTED])):
        return
    cut = (cut_line(line, starts).strip("\r\n").split(BETWEEN) for line in lines[:_LOOK_AT_PRINTED])
    if any(needed <= set(cells) for cells in cut):
        raise DataError(
            f"{file}: nothing stands between its fields; they begin at fixed places of each line, as in a print-out.\n"
            f"  Write fixed_width = {starts} under [tables.{options.table}], if these are the places."
        )


def _read_ahead(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """The same pieces; while one is worked on, the next is read and decoded."""
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, pieces, None)
        while (piece := coming.result()) is not None:
            coming = pool.submit(next, pieces, None)
            yield piece


def _first_lines(start: bytes) -> list[str]:
    return io.StringIO(start[:_SAMPLE_BYTES].decode(errors="ignore"), newline="").readlines()


def _stamp(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_size, status.st_mtime_ns
