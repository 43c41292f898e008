"""Workbooks: the rows of one or several sheets as text, dates as dates, found and numbered as a reader would.

Only what the cells hold is read: a formula counts as the value that was stored with it; macros, links and outside data
are never followed. Two columns are added, `(sheet)` and `(row of the sheet)`, so that a row that was set aside can be
found again; they can be mapped like any other, for workbooks with one sheet a clinic.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.fields import input_fields
from pipeline.reading.sources.excel_book import as_written, how_read, lines_above, looks_of_rows, open_book, read_sheets
from pipeline.reading.sources.excel_safety import date_system
from pipeline.reading.sources.mapping import with_firsts
from pipeline.reading.sources.row_looks import LOOKS
from pipeline.reading.sources.source import (
    SHEET,
    SHEET_ROW,
    Batch,
    ReadOptions,
    Spoken,
    aside,
    in_shape,
    lines_alone,
    unique_headings,
)

# A sheet with this column is a worksheet of ours: it says which fields were filled in before the practice got it.
ALREADY_KNOWN = "already_known"
# Its first sheet, by which it is known without a look at the others.
READ_ME = "Read me first"
# Its sheets are called as the tables that they are read as, but for these.
_SHEETS = {"elsewhere": "done elsewhere", "note_answers": "from notes", "note_checks": "check against charts"}
_BATCH_ROWS = 100_000
_LOOK_FOR_HEADINGS = 50
_MANY_COLUMNS = 3  # from so many columns on, a row with one filled cell is a note


@dataclass(frozen=True)
class _Part:
    """One sheet that is read: its cells as text below the headings, and what each column is called."""

    sheet: str
    first_row: int  # the row of the sheet that the first row of `cells` is, from 1
    headings: list[str]
    said: list[str]  # the headings as the sheet has them; empty where there are none
    cells: pl.DataFrame
    above: tuple[str, ...] = ()  # the lines above the headings, their cells with a blank between
    looks: Mapping[str, Mapping[int, str]] = field(default_factory=dict)  # by look, rows of the sheet that have it


@dataclass
class ExcelFile:
    """An opened workbook; see `pipeline.reading.sources.source.Source`. Row numbers run on from one sheet to the next,
    in the order of the workbook; row 1 is the first row under the headings of the first sheet that is read."""

    path: Path
    headings: list[str]
    spoken: Spoken
    table: str
    _parts: list[_Part] = field(repr=False)
    _not_read: list[tuple[str, int]] = field(repr=False)

    @property
    def sheets(self) -> list[str]:
        """The sheets that are read and have rows."""
        return [part.sheet for part in self._parts if part.cells.height]

    @property
    def titles(self) -> dict[str, tuple[str, ...]]:
        """The lines above the headings of each sheet that is read."""
        return {part.sheet: part.above for part in self._parts if part.above}

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """Rows from the start of the workbook; see `Source.batches`."""
        wanted = self.headings if headings is None else list(headings)
        number = 0
        for part in self._parts:
            for start in range(0, part.cells.height, _BATCH_ROWS):
                piece = part.cells.slice(start, _BATCH_ROWS)
                yield _batch(part, piece, wanted, after=number, sheet_row=part.first_row + start, table=self.table)
                number += piece.height
        if self._not_read:
            lines = [f"{name}: {rows} rows" for name, rows in self._not_read]
            yield lines_alone(wanted, aside(range(number + 1, number + len(lines) + 1), lines, "sheet_not_read"))


def open_excel(path: Path, options: ReadOptions) -> ExcelFile:
    """Read a workbook (.xlsx, .xlsm, .xlsb, .xls, .ods), after a look at whether it is safe to open.

    The headings are in the row `header_row` of each sheet or, where that is not told, in the first row that holds the
    most of the wanted ones. Without `sheets`, every visible sheet is read that has all the wanted headings (where the
    TOML names none: those that the table needs). A sheet that has none of them is left, which counts as one row set
    aside for the reason `sheet_not_read`.

    Raises DataError if it is no workbook that can be read, is locked with a password or too large to open; if a sheet
    that is named is not there; if a sheet has some of the wanted headings only, or a hidden one has them all.
    """
    mine = _is_ours(path)
    # Whatever the TOML says of the practice's own files of this table, a workbook of ours names our fields.
    options = ReadOptions(table=options.table) if mine else options
    sheets = read_sheets(path, options.sheets)
    needed = set(options.needed)
    found: list[tuple[_Part, int, bool]] = []
    for name, cells, visible in sheets:
        part = _part(name, cells, options.header_row, needed)
        other = ALREADY_KNOWN in part.headings and name != sheet_of(options.table)
        found.append((part, 0 if other else len(needed & {*with_firsts(part.headings), SHEET, SHEET_ROW}), visible))
    if not found:
        raise DataError(f"{path.name}: its sheets are empty. Export it again, or leave it out.")
    chosen = _with_surroundings(path, _choose(path, found, len(needed), options))
    headings = list(dict.fromkeys(h for part in chosen for h in part.headings))
    for name in (SHEET, SHEET_ROW, *LOOKS):
        if name in headings:
            raise DataError(f'{path.name}: the heading "{name}" is one that we add ourselves. Rename the column.')
    ours = any(ALREADY_KNOWN in part.headings for part, _, _ in found)
    read = {part.sheet for part in chosen}
    left = [] if options.sheets or ours else [part for part, _, _ in found if part.sheet not in read]
    skipped = [(part.sheet, part.cells.height) for part in left]
    spoken = Spoken(fields=mine, serial_dates=date_system(path), how=how_read(path))
    looks = [look for look in LOOKS if any(look in part.looks for part in chosen)]
    return ExcelFile(path, [*headings, *looks, SHEET, SHEET_ROW], spoken, options.table, chosen, skipped)


def _is_ours(path: Path) -> bool:
    """Whether a workbook is one that we wrote to be filled in: it says so on its first sheet, and marks the others."""
    book = open_book(path)
    if READ_ME not in getattr(book, "names", ()):
        return False
    return any(
        ALREADY_KNOWN in (cell for row in cells.head(_LOOK_FOR_HEADINGS).iter_rows() for cell in row)
        for name, cells, _ in read_sheets(path, ())
        if name != READ_ME
    )


def _with_surroundings(path: Path, parts: list[_Part]) -> list[_Part]:
    """The sheets with what stands above them, and what their rows look like."""
    above, looks = lines_above(path), looks_of_rows(path)
    return [
        replace(
            part,
            above=(*above.get(part.sheet, ()), *part.above),
            looks={look: rows for look in LOOKS if (rows := _below(part, looks.get(look, {}).get(part.sheet, {})))},
        )
        for part in parts
    ]


def _below(part: _Part, rows: Mapping[int, str]) -> dict[int, str]:
    """The rows below the headings."""
    return {row: what for row, what in rows.items() if row >= part.first_row}


def sheet_of(table: str) -> str:
    """The sheet of our worksheet that is read as `table`."""
    return _SHEETS.get(table, table)


def _part(name: str, cells: pl.DataFrame, header_row: int | None, needed: set[str]) -> _Part:
    """The sheet below its headings; rows that are empty to the end of the sheet are none."""
    row = _heading_row(cells, needed) if header_row is None else header_row
    texts = [] if row == 0 else [(t or "").strip() for t in (cells.row(row - 1) if row <= cells.height else ())]
    places = [int(column) for column in cells.columns]
    by_place = dict(zip(places, texts, strict=False))
    named = unique_headings([by_place.get(place, "") for place in range(1, max(places) + 1)])
    below = cells.slice(row)
    filled = below.select(pl.any_horizontal(pl.all().is_not_null()).arg_true().max().alias("last")).item()
    below = below.head(0 if filled is None else filled + 1)
    kept = [p for p in places if by_place.get(p) or below[str(p)].null_count() < below.height]
    said = [by_place[p] for p in kept] if by_place else []
    above = tuple(" ".join(t.strip() for t in line if t) for line in cells.head(max(row - 1, 0)).rows())
    return _Part(name, row + 1, [named[p - 1] for p in kept], said, below.select(str(p) for p in kept), above)


def _heading_row(cells: pl.DataFrame, needed: set[str]) -> int:
    """The row, from 1, that holds most of the needed headings; where none does, the first that looks like headings."""
    rows = [[t.strip() for t in row if t and t.strip()] for row in cells.head(_LOOK_FOR_HEADINGS).rows()]
    matches = [len(needed & set(row)) for row in rows]
    if best := max(matches, default=0):
        return matches.index(best) + 1
    widest = max((len(row) for row in rows), default=0)
    return next((n for n, row in enumerate(rows, 1) if row and 2 * len(row) > widest), 1)


def _choose(path: Path, found: list[tuple[_Part, int, bool]], needed: int, options: ReadOptions) -> list[_Part]:
    shown = [(part, n) for part, n, visible in found if visible or options.sheets]
    if options.sheets or (options.header_row == 0 and shown):
        return [part for part, _ in shown]
    example = '  Say which are to be read with sheets = ["...", "..."] under '
    if hidden := [part.sheet for part, n, visible in found if n == needed and not visible]:
        raise DataError(
            f'{path.name}: the hidden sheet "{hidden[0]}" has the headings too. Is it to be read, or an old copy?\n'
            f"{example}[tables.{options.table}]."
        )
    if whole := [part for part, n in shown if n == needed]:
        if half := [part.sheet for part, n in shown if 0 < n < needed]:
            raise DataError(
                f'{path.name}: the sheet "{half[0]}" has only some of the headings that "{whole[0].sheet}" has.\n'
                f"{example}[tables.{options.table}], or give its columns the same headings."
            )
        return whole
    best = max((n for _, n in shown), default=0)
    nearest = [part for part, n in shown if n == best][:1]  # its headings go into the message that follows
    return nearest or [part for part, _, _ in found][:1]


def _batch(part: _Part, piece: pl.DataFrame, wanted: list[str], *, after: int, sheet_row: int, table: str) -> Batch:
    place = pl.int_range(pl.len(), dtype=pl.Int64)
    frame = piece.rename(dict(zip(piece.columns, part.headings, strict=True))).with_columns(
        pl.lit(part.sheet).alias(SHEET), (place + sheet_row).cast(pl.String).alias(SHEET_ROW)
    )
    places = range(sheet_row, sheet_row + piece.height)
    for look, rows_of in part.looks.items():
        frame = frame.with_columns(pl.Series(look, [rows_of.get(row) for row in places], dtype=pl.String))
    numbers = pl.int_range(after + 1, after + piece.height + 1, dtype=pl.Int64, eager=True).alias("row_number")
    reason = _reasons(frame, part, table)
    sound = reason.is_null()
    cells = pl.concat_str([pl.col(h).fill_null("") for h in part.headings], separator="\t").str.strip_chars()
    line = pl.format("{}, row {}: {}", SHEET, SHEET_ROW, cells).alias("raw_row")
    odd = frame.select(numbers, line, reason).filter(~sound)
    rows = as_written(frame.filter(sound))
    rows = rows.with_columns(pl.lit(None, pl.String).alias(h) for h in wanted if h not in rows.columns)
    return Batch(numbers.filter(sound), rows.select(wanted), in_shape(odd))


def _reasons(frame: pl.DataFrame, part: _Part, table: str) -> pl.Series:
    """Why each row is no row of the table: headings again, a note, or a line of our worksheet left as it was."""
    filled = pl.sum_horizontal(pl.col(h).is_not_null() for h in part.headings)
    cells = zip(part.headings, part.said, strict=False)
    same = [pl.col(h).str.strip_chars().fill_null("") == pl.lit(text) for h, text in cells]
    again = pl.all_horizontal(same) if same else pl.lit(False)
    # No table of ours has a row that says something in one field: even a patient's row would be a bare number.
    note = (filled == 1) & (len(part.headings) >= _MANY_COLUMNS)
    rule = pl.when(again).then(pl.lit("repeated_heading")).when(note).then(pl.lit("note_line"))
    if ALREADY_KNOWN in part.headings:
        fields = [f for f in input_fields(table) if f in part.headings and f not in ("patient_id", "tooth")]
        told = pl.any_horizontal(pl.lit(False), *(_is_new(f) for f in fields))
        rule = rule.when((filled > 0) & ~told).then(pl.lit("nothing_filled_in"))
    return frame.select(rule.otherwise(None).alias("reason"))["reason"]


def _is_new(name: str) -> pl.Expr:
    """Whether a field holds something that the worksheet did not come with."""
    known = pl.col(ALREADY_KNOWN).fill_null("")
    return pl.col(name).is_not_null() & ~known.str.contains(
        pl.format("{} {}", pl.lit(name), pl.col(name).fill_null("").str.slice(0, 10)), literal=True
    )
