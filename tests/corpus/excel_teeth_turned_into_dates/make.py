"""A list of teeth, 3-4, that a spreadsheet took for a date."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import xlsxwriter

HEADINGS = ["patient_id", "service_date", "code", "tooth"]


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    day = book.add_format({"num_format": "dd/mm/yyyy"})
    page = book.add_worksheet("Ledger")
    page.write_row(0, 0, HEADINGS)
    for row in (1, 2):
        page.write_row(row, 0, ["P1", "2020-03-01", "D2740"])
        page.write_datetime(row, 3, dt.date(2020, 3, 3 + row), day)
    book.close()
