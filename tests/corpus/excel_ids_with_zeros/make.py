"""Patient ids with leading zeros beside ids that are numbers, and teeth that are numbers."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import xlsxwriter

HEADINGS = ["patient_id", "service_date", "code", "tooth"]
DAY = dt.date(2020, 3, 1)


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    day = book.add_format({"num_format": "dd/mm/yyyy"})
    page = book.add_worksheet("Ledger")
    page.write_row(0, 0, HEADINGS)
    for row, (patient, tooth) in enumerate([("00123", 3.0), (123, 3), ("123", "14")], 1):
        page.write_row(row, 0, [patient, None, "D2740", tooth])
        page.write_datetime(row, 1, DAY, day)
    book.close()
