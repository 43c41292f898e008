"""Day numbers without a date format, in a workbook that counts from 1904 and says so."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import xlsxwriter

HEADINGS = ["patient_id", "service_date", "code", "tooth"]
DAY = dt.date(2020, 3, 1)


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx", {"date_1904": True})
    page = book.add_worksheet("Ledger")
    page.write_row(0, 0, HEADINGS)
    page.write_row(1, 0, ["P1", (dt.date(2020, 2, 29) - dt.date(1904, 1, 1)).days, "D2740", 3])
    page.write_row(2, 0, ["P1", (DAY - dt.date(1904, 1, 1)).days, "D2740", 14])
    book.close()
