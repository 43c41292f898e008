"""The sheet behind the form at the chair: blank lines with choices, which load as they are once they are filled in."""

import datetime as dt
from pathlib import Path

import polars as pl

from pipeline.practice.fields import input_fields
from pipeline.reading.sources.excel_file import ALREADY_KNOWN, sheet_of
from pipeline.reading.worksheets.marked_file import write_marked
from pipeline.reading.worksheets.workbook import Page, PageColumn, field_column, workbook_bytes

NAME, TABLES, LINES = "chair-form", ("endo_details", "crown_details"), 300


def write_chair_sheet(folder: Path, *, practice: str, notation: str, made_on: dt.date) -> Path:
    """Write the workbook, with `LINES` blank lines a table; returns its path. A file that is there stays."""
    pages = [_page(table) for table in TABLES]
    content = workbook_bytes(f"{practice}: at the chair", _instructions(notation), pages, made_on=made_on)
    return write_marked(folder, NAME, ".xlsx", content, keep_former=True)


def _page(table: str) -> Page:
    fields = input_fields(table)
    # An id of digits typed into a plain cell would lose its zeros: `field_column` gives texts, days and numbers.
    columns = (*(field_column(table, name) for name in fields), PageColumn(ALREADY_KNOWN))
    blank = pl.DataFrame({column.name: pl.Series([None] * LINES, dtype=pl.String) for column in columns})
    return Page(sheet_of(table), columns, blank)


def _instructions(notation: str) -> list[str]:
    return [
        "One line for each root canal on the sheet endo_details and for each crown on crown_details, written at the "
        "chair or copied from the printed form. Leave a cell empty where the answer is not known.",
        "Click a cell to see what it asks for. Where there is a list of words, choose from it.",
        f"Teeth are written in the {notation} numbering, patients as the practice's software writes them. The day of a "
        "root canal is any day within the treatment; a crown needs the day of its preparation or of its seat.",
        f"Leave the column {ALREADY_KNOWN} empty, and do not change the headings or the names of the sheets.",
        "To load it, put it into the folder of PRACTICE.toml and name it among the files of both tables:",
        f'[tables.endo_details]\nfiles = [..., "{NAME}*.xlsx"]',
        f'[tables.crown_details]\nfiles = [..., "{NAME}*.xlsx"]',
        "It may be loaded again as it grows: lines that were loaded before are known again.",
    ]
