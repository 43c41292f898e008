"""A workbook made for the case."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    page = book.add_worksheet("Report")
    page.write_row(0, 0, ["Chart", "Date", "Code", "Th"])
    page.merge_range(1, 0, 3, 0, "P1")
    page.merge_range(1, 1, 2, 1, "2020-03-05")
    page.write(3, 1, "2020-03-09")
    page.write_row(4, 0, ["P2", "2020-03-06"])
    for row, cells in enumerate([["D2740", 3], ["D2950", 3], ["D3330", 4], ["D7140", 5]], 1):
        page.write_row(row, 2, cells)
    book.close()
