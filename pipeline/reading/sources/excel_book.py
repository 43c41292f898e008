"""Workbooks that are open: each is looked at and its sheets are parsed once in a command, however often they are read.

A workbook is asked for once a table, and by `suggest` several times a sheet. A file that changes is another workbook.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import fastexcel
import polars as pl

from pipeline.machine.errors import DataError
from pipeline.reading.sources import kinds
from pipeline.reading.sources.excel_looks import looks_in_open_document, looks_in_workbook
from pipeline.reading.sources.excel_safety import CHECKED_KINDS, MAX_COLUMNS, can_be_read, check_workbook
from pipeline.reading.sources.found_tables import FoundTables
from pipeline.reading.sources.nested_records import open_nested
from pipeline.reading.sources.row_looks import RowLooks
from pipeline.reading.sources.safe_path import Key, key_of
from pipeline.reading.sources.single_marks import in_columns
from pipeline.reading.sources.sql_dump import open_dump
from pipeline.reading.sources.sqlite_tables import open_database
from pipeline.reading.sources.web_tables import open_web_page
from pipeline.reading.sources.xml_files import open_xml_records, open_xml_sheets

# Cells of workbooks that are not in use any more are kept up to here.
_KEPT_BYTES = 300_000_000

# Files that are no workbook and hold tables of cells, which are then read like its sheets.
TABLES_INSIDE: dict[str, Callable[[Path], FoundTables]] = {
    kinds.WEB_PAGE: open_web_page,
    kinds.XML_SHEETS: open_xml_sheets,
    kinds.XML: open_xml_records,
    kinds.DATABASE: open_database,
    kinds.DUMP: open_dump,
    kinds.JSON: open_nested,
}


@dataclass
class Book:
    """An open workbook: the names of its sheets in their order, and the cells of those that were asked for."""

    path: Path
    reader: fastexcel.ExcelReader
    sheets: dict[str, tuple[pl.DataFrame | None, bool]] = field(default_factory=dict)

    @property
    def names(self) -> list[str]:
        """The names of all sheets."""
        return self.reader.sheet_names

    @property
    def bytes_held(self) -> int:
        """Memory that its cells take."""
        return sum(int(cells.estimated_size()) for cells, _ in self.sheets.values() if cells is not None)


_BOOKS: dict[Key, Book | FoundTables | str] = {}  # a text is the refusal of the workbook


def open_book(path: Path) -> Book | FoundTables:
    """Open a workbook, or another file that holds tables, after a look at whether it is safe to open; or take it as it
    was opened before. Raises DataError if it is none, is locked, damaged or too large; the second time without another
    look."""
    key = key_of(path)
    if key not in _BOOKS:
        try:
            _BOOKS[key] = _opened(path)
        except DataError as error:
            _BOOKS[key] = str(error)
    found = _BOOKS.pop(key)
    _BOOKS[key] = found  # the last used stands last
    if isinstance(found, str):
        raise DataError(found)
    _forget()
    return found


def unreadable(path: Path, said: str) -> DataError:
    """What to tell of a workbook that its reader refuses with the words `said`."""
    if "assword" in said or "ncrypt" in said:
        return DataError(f"{path.name}: the workbook is locked with a password. Save a copy without one.")
    return DataError(
        f"{path.name}: this workbook is damaged, or is no workbook. "
        "Open it in a spreadsheet program and save it again as .xlsx, or save the sheet as CSV."
    )


def _opened(path: Path) -> Book | FoundTables:
    if (inside := TABLES_INSIDE.get(kinds.kind_of(path))) is not None:
        return inside(path)
    check_workbook(path)
    if path.suffix.lower() not in CHECKED_KINDS:
        fits, said = can_be_read(path)
        if not fits:
            raise unreadable(path, said)
    try:
        return Book(path, fastexcel.read_excel(path))
    except (KeyboardInterrupt, SystemExit, GeneratorExit):
        raise
    except BaseException as error:  # the reader is no Python and its panics are no Exception
        raise unreadable(path, str(error)) from error


def _forget() -> None:
    """Let go of the workbooks that were not used for longest, but never of the last."""
    while len(_BOOKS) > 1 and sum(b.bytes_held for b in _BOOKS.values() if not isinstance(b, str)) > _KEPT_BYTES:
        del _BOOKS[next(iter(_BOOKS))]


# A date cell comes out as the moment that it stands for; a time of day alone, on day 0 of the workbook.
_TIME_ALONE = r"^(?:1899-12-3[01]|1904-01-01) (\d{2}:\d{2}:\d{2})(?:\.\d+)?$"
_MOMENT = r"^(\d{4}-\d{2}-\d{2}) (\d{2}:\d{2}:\d{2})(?:\.\d+)?$"
_DATE_OF_OPEN_DOCUMENT = r"^(\d{4}-\d{2}-\d{2})(?:T(\d{2}:\d{2}:\d{2}).*)?$"
_MIDNIGHT = r"^(\d{4}-\d{2}-\d{2}) 00:00:00$"


def read_sheets(path: Path, names: Sequence[str]) -> list[tuple[str, pl.DataFrame, bool]]:
    """Each sheet that is not empty: its name, its cells, and whether it can be seen.

    `names` picks sheets, in the order of the workbook; empty for all. The cells are all text, one column per column of
    the sheet named by its place from 1 (column A is `1`), one row per row of the sheet from the first; a cell that is
    blank, holds blanks only or an error such as a broken reference is null.

    Raises DataError if the workbook cannot be read, a named sheet is not there or is empty, or a sheet has too many
    columns.
    """
    book = open_book(path)
    lacking = [name for name in names if name not in book.names]
    if lacking:
        there = ", ".join(f'"{name}"' for name in book.names)
        raise DataError(f'{path.name}: has no sheet "{lacking[0]}". Sheets there: {there}. Correct sheets = [...].')
    read = [(name, *_sheet(book, name)) for name in book.names if not names or name in names]
    if empty := [name for name, cells, _ in read if names and cells is None]:
        raise DataError(f'{path.name}: the sheet "{empty[0]}" is empty. Leave it out of sheets = [...].')
    return [(name, cells, visible) for name, cells, visible in read if cells is not None]


def visible_sheets(path: Path) -> tuple[list[str], list[DataError]]:
    """The names of the sheets that are neither empty nor hidden, and why others cannot be read. Raises DataError if the
    file cannot be read at all."""
    book = open_book(path)
    names, faults = [], []
    for name in book.names:
        try:
            cells, visible = _sheet(book, name)
        except DataError as error:
            faults.append(error)
            continue
        if cells is not None and visible:
            names.append(name)
    return names, faults


def how_read(path: Path) -> str:
    """What a file is that holds tables and is no workbook, in words; empty for a workbook."""
    book = open_book(path)
    return book.how if isinstance(book, FoundTables) else ""


def lines_above(path: Path) -> Mapping[str, tuple[str, ...]]:
    """What stands above the tables of a file that is no workbook, outside of them: headings of a web page."""
    book = open_book(path)
    return book.above if isinstance(book, FoundTables) else {}


def looks_of_rows(path: Path) -> RowLooks:
    """What rows look like: struck through, hidden, of a colour; see `pipeline.reading.sources.row_looks`."""
    book = open_book(path)
    if isinstance(book, FoundTables):
        return book.looks
    return looks_in_open_document(path) if path.suffix.lower() == ".ods" else looks_in_workbook(path)


def _sheet(book: Book | FoundTables, name: str) -> tuple[pl.DataFrame | None, bool]:
    """The cells of a sheet, and whether it can be seen; parsed when it is asked for first."""
    if isinstance(book, FoundTables):
        return book.sheet(name)
    if name not in book.sheets:
        try:
            sheet = book.reader.load_sheet(name, header_row=None, skip_rows=0, dtypes="string")
            book.sheets[name] = _cells(book.path, name, sheet), sheet.visible == "visible"
        except (DataError, KeyboardInterrupt, SystemExit, GeneratorExit):
            raise
        except BaseException as error:  # the reader is no Python and its panics are no Exception
            raise unreadable(book.path, str(error)) from error
    return book.sheets[name]


def as_written(frame: pl.DataFrame) -> pl.DataFrame:
    """Columns whose filled cells are all dates become dates; in others a date is text, without a time of midnight."""
    frame = frame.with_columns(pl.all().str.replace(_TIME_ALONE, "${1}"))
    filled = frame.select(pl.all().is_not_null().any())
    moments = frame.select(pl.all().str.contains(_MOMENT).all())
    dates = [name for name in frame.columns if frame.height and filled[name][0] and moments[name][0]]
    texts = [name for name in frame.columns if name not in dates]
    return frame.with_columns(
        *(pl.col(name).str.slice(0, 10).str.to_date("%Y-%m-%d", strict=False) for name in dates),
        *(pl.col(name).str.replace(_MIDNIGHT, "${1}") for name in texts),
    )


def _cells(path: Path, name: str, sheet: fastexcel.ExcelSheet) -> pl.DataFrame | None:
    if sheet.width > MAX_COLUMNS:
        raise DataError(
            f'{path.name}: the sheet "{name}" has {sheet.width:,} columns, more than {MAX_COLUMNS:,}. '
            "Delete the columns that are not needed."
        )
    frame = sheet.to_polars()
    if frame.is_empty():
        return None
    places = [str(column.absolute_index + 1) for column in sheet.available_columns()]
    frame = frame.rename(dict(zip(frame.columns, places, strict=True)))
    text = pl.all().str.strip_chars()
    frame = frame.select(pl.when(text.str.len_bytes() > 0).then(pl.all()))
    if path.suffix.lower() == ".ods":
        frame = frame.select(_moment(column) for column in frame.columns)
    is_empty = all(frame[column].null_count() == frame.height for column in frame.columns)
    return None if is_empty else in_columns(frame)


def _moment(column: str) -> pl.Expr:
    day, time = (pl.col(column).str.extract(_DATE_OF_OPEN_DOCUMENT, group) for group in (1, 2))
    return pl.coalesce(pl.concat_str(day, time.fill_null("00:00:00"), separator=" "), pl.col(column)).alias(column)
