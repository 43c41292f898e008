"""The TOML tells the form of the dates that are text; real date cells need none."""

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
    page.write_row(1, 0, ["P1", None, "D2740", 3])
    page.write_datetime(1, 1, DAY, day)
    page.write_row(2, 0, ["P1", "02/03/2020", "D2740", 14])
    book.close()
