"""The cells of a workbook as text, and which columns of them are dates."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import fastexcel
import polars as pl

from pipeline.machine.errors import DataError
from pipeline.reading.sources.excel_book import Book, open_book, unreadable
from pipeline.reading.sources.excel_looks import looks_in_workbook
from pipeline.reading.sources.excel_safety import MAX_COLUMNS
from pipeline.reading.sources.found_tables import FoundTables
from pipeline.reading.sources.open_document_looks import looks_in_open_document
from pipeline.reading.sources.row_looks import RowLooks
from pipeline.reading.sources.single_marks import in_columns

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
