"""The one place that writes workbooks: pages of declared columns, marked as holding patient data."""

import csv
import datetime as dt
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.machine.private_files import MARK, MARK_IN_WORDS, make_private, private_folder, write_private
from pipeline.practice.fields import RANGES, YEARS_OF, kind, map_words
from pipeline.practice.tables import INPUT_TABLES
from pipeline.reading.set_aside import armed
from pipeline.reading.sources.excel_file import READ_ME

_HEADING_ROW = 1  # from 0; the mark stands above
_MAX_NOTE, _MAX_TITLE = 255, 32  # what a spreadsheet shows beside a cell
_FIRST_YEAR, _LAST_DAY = 1900, 73_050  # as a spreadsheet numbers days: 31 December 2099


@dataclass(frozen=True)
class PageColumn:
    """A column of a page: its heading, the note shown at its cells, and what may be typed into them. `words` gives a
    drop-down, `low` and `high` the limits of a number (whole ones only if `whole`), `is_day` a date, `is_day_or_year` a
    date or the year alone."""

    name: str
    note: str = ""
    words: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    whole: bool = False
    is_day: bool = False
    is_day_or_year: bool = False
    width: int = 14


@dataclass(frozen=True)
class Page:
    """A sheet: `rows` has the columns of `columns` by name, as text, dates or numbers."""

    name: str
    columns: tuple[PageColumn, ...]
    rows: pl.DataFrame


def field_column(table: str, field: str) -> PageColumn:
    """The column in which a field of `table` is filled in: its meaning, words and limits are those of the field."""
    about = INPUT_TABLES[table].columns[field].about
    how = kind(table, field)
    if how == "flag":
        return PageColumn(field, about, words=("yes", "no"))
    if how in ("whole", "number"):
        low, high = RANGES[field]
        return PageColumn(field, f"{about} {low:g} to {high:g}.", low=low, high=high, whole=how == "whole")
    if field in YEARS_OF:
        said = f"{about} A date, or the year alone; empty where neither is known."
        return PageColumn(field, said, is_day_or_year=True)
    words = map_words(table, field) or ()
    return PageColumn(field, about, words=words, is_day=how == "date", width=18 if words else 14)


def workbook_bytes(title: str, instructions: Sequence[str], pages: Sequence[Page], *, made_on: dt.date) -> bytes:
    """A workbook with a first sheet of instructions and one sheet for each page. Texts are never formulas or links. The
    same input gives the same bytes: nothing of the machine, its user or its clock is in them; `made_on` is the day that
    they state. Nothing is written to a temporary folder."""
    import xlsxwriter  # takes long to load, and most runs write no workbook

    content = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    book = xlsxwriter.Workbook(content, options)
    made = dt.datetime.combine(made_on, dt.time())
    book.set_properties({"title": f"{title} - {MARK_IN_WORDS}", "author": "toothyears", "created": made})
    styles = {
        "mark": book.add_format({"bold": True, "font_color": "#9C0006"}),
        "head": book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}),
        "day": book.add_format({"num_format": "yyyy-mm-dd"}),
        "text": book.add_format({"num_format": "@"}),
        "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
    }
    first = _sheet(book, READ_ME, styles)
    first.set_column(0, 0, 100, styles["wrap"])
    for row, line in enumerate([title, "", *instructions], 1):
        first.write_string(row, 0, line, styles["head"] if row == 1 else styles["wrap"])
    for page in pages:
        _write_page(_sheet(book, page.name, styles), page, styles)
    book.close()
    return content.getvalue()


def _sheet(book: Any, name: str, styles: dict[str, Any]) -> Any:
    sheet = book.add_worksheet(name)
    sheet.set_header(f"&C&B{MARK_IN_WORDS}")
    sheet.write_string(0, 0, MARK_IN_WORDS, styles["mark"])
    return sheet


def _write_page(sheet: Any, page: Page, styles: dict[str, Any]) -> None:
    last = _HEADING_ROW + max(page.rows.height, 1)
    for place, column in enumerate(page.columns):
        # A cell that is told to be a date shows the year 2019 as a day in 1905, and one of text takes no date.
        plain = column.low is not None or column.is_day_or_year
        style = styles["day"] if column.is_day else None if plain else styles["text"]
        sheet.set_column(place, place, column.width, style)
        sheet.write_string(_HEADING_ROW, place, column.name, styles["head"])
        for row, value in enumerate(page.rows[column.name].to_list(), _HEADING_ROW + 1):
            if isinstance(value, dt.date):
                sheet.write_datetime(row, place, value, styles["day"])
            elif isinstance(value, int | float):
                sheet.write_number(row, place, value)
            elif value is not None:
                sheet.write_string(row, place, value, styles["text"])
        if column.note or column.words:
            sheet.data_validation(_HEADING_ROW + 1, place, last, place, _validation(column))
    frozen = next((n for n, c in enumerate(page.columns) if c.note or c.words), 0)
    sheet.freeze_panes(_HEADING_ROW + 1, frozen)
    sheet.autofilter(_HEADING_ROW, 0, last, len(page.columns) - 1)
    sheet.repeat_rows(_HEADING_ROW)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)


def _validation(column: PageColumn) -> dict[str, Any]:
    shown = {"input_title": column.name[:_MAX_TITLE], "input_message": column.note[:_MAX_NOTE], "ignore_blank": True}
    if column.words:
        said = "Choose one of the words of the list, or leave the cell empty."
        return shown | {"validate": "list", "source": list(column.words), "error_message": said}
    if column.low is not None:
        limits = {"criteria": "between", "minimum": column.low, "maximum": column.high}
        said = f"A {'whole number' if column.whole else 'number'} from {column.low:g} to {column.high:g}, or nothing."
        return shown | limits | {"validate": "integer" if column.whole else "decimal", "error_message": said}
    if column.is_day_or_year:
        limits = {"criteria": "between", "minimum": _FIRST_YEAR, "maximum": _LAST_DAY}
        return shown | limits | {"validate": "decimal", "error_message": "A date, a year of four digits, or nothing."}
    if column.is_day:
        said = "A date, or nothing."
        return shown | {
            "validate": "date",
            "criteria": ">=",
            "value": dt.date(1900, 1, 1),
            "error_message": said,
        }
    return shown | {"validate": "any"}


def write_marked(folder: Path, name: str, suffix: str, content: bytes, *, keep_former: bool = False) -> Path:
    """Put `content` into `folder` as `<name>-holds-patient-data<suffix>`; returns the path. With `keep_former`, a file
    that is there stays, and the new one gets the first free of `-2`, `-3` and so on. Raises DataError if the folder
    cannot be written to, or the file is open elsewhere."""
    path = folder / f"{name}-{MARK}{suffix}"
    try:
        private_folder(folder)
        if not keep_former:
            return write_private(path, content)
        free, number = path, 1
        while not make_private(free, content):
            number += 1
            free = path.with_name(f"{path.stem}-{number}{suffix}")
        return free
    except OSError as error:
        raise DataError(
            f"{path.name}: cannot be written to the folder {folder.name}. Close it if it is open elsewhere, or give "
            "another folder with --out."
        ) from error


def csv_bytes(headings: Sequence[str], rows: Sequence[Sequence[object]]) -> bytes:
    """CSV in UTF-8 with a byte order mark, which spreadsheets need. A text that they would run or rewrite is armed."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, quoting=csv.QUOTE_ALL)  # a sign that parts cells elsewhere parts none then
    writer.writerow(headings)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return text.getvalue().encode("utf-8-sig")


def _cell(value: object) -> str:
    if value is None:
        return ""
    return str(value) if isinstance(value, dt.date | int) else armed(str(value))
