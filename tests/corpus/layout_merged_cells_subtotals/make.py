"""A workbook made for the case."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    page = book.add_worksheet("Report")
    rows = [
        ["Chart", "Date", "Code", "Th", "Fee"],
        ["P1", "2020-03-05", "D2740", "3", "900"],
        ["", "2020-03-06", "D2950", "3", "100"],
        ["", "Subtotal", "", "", "1000"],
        ["P2", "2020-03-07", "D7140", "5", "90"],
        ["", "Subtotal", "", "", "90"],
        ["Grand total", "", "", "", "1090"],
    ]
    for row, cells in enumerate(rows):
        page.write_row(row, 0, cells)
    book.close()
