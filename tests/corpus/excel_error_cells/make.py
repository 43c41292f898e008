"""Formulas: their stored values count, and broken ones are empty."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

HEADINGS = ["patient_id", "service_date", "code", "tooth"]


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    page = book.add_worksheet("Ledger")
    page.write_row(0, 0, HEADINGS)
    for row in (1, 2, 3):
        page.write_row(row, 0, ["P1", "2020-03-01", "D2740", 3])
    page.write_formula(1, 2, '="D"&2740', None, "D2740")
    page.write_formula(2, 2, "=Gone!A1", None, "#REF!")
    page.write_formula(3, 3, "=1/0", None, "#DIV/0!")
    book.close()
