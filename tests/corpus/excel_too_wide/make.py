"""A forgotten cell far to the right."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

HEADINGS = ["patient_id", "service_date", "code", "tooth"]


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    page = book.add_worksheet("Ledger")
    page.write_row(0, 0, HEADINGS)
    page.write_row(1, 0, ["P1", "2020-03-01", "D2740", 3])
    page.write(5, 2500, "x")
    book.close()
