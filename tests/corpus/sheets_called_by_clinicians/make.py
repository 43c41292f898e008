"""A sheet for each clinician, who stands nowhere else."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    for sheet, first in (("Dr Ash", 0), ("Hyg Fern", 6)):
        page = book.add_worksheet(sheet)
        page.write_row(0, 0, ["Patient", "Date", "Code"])
        for row in range(1, 7):
            page.write_row(row, 0, [f"P{row}", f"2019-03-{10 + row + first}", "D1110" if first else "D0120"])
    book.close()
