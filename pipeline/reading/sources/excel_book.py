"""Workbooks that are open: each is looked at and its sheets are parsed once in a command, however often they are read.

A workbook is asked for once a table, and by `suggest` several times a sheet. A file that changes is another workbook.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import fastexcel
import polars as pl

from pipeline.machine.errors import DataError
from pipeline.reading.sources import kinds
from pipeline.reading.sources.excel_safety import CHECKED_KINDS, can_be_read, check_workbook
from pipeline.reading.sources.found_tables import FoundTables
from pipeline.reading.sources.nested_records import open_nested
from pipeline.reading.sources.safe_path import Key, key_of
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
