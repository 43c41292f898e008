"""Real date cells of a workbook that counts its days from 1904."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import xlsxwriter

HEADINGS = ["patient_id", "service_date", "code", "tooth"]
DAY = dt.date(2020, 3, 1)


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx", {"date_1904": True})
    day = book.add_format({"num_format": "dd/mm/yyyy"})
    page = book.add_worksheet("Ledger")
    page.write_row(0, 0, HEADINGS)
    for row, (date, tooth) in enumerate([(dt.date(2020, 2, 29), 3), (DAY, 14)], 1):
        page.write_row(row, 0, ["P1", None, "D2740", tooth])
        page.write_datetime(row, 1, date, day)
    book.close()
