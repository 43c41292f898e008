"""A workbook made for the case."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    page = book.add_worksheet("Report")
    rows = [
        ["Patient:", "1042"],
        ["Date", "Code", "Th"],
        ["2020-03-05", "D2740", "3"],
        ["2020-03-06", "D3330", "4"],
        [],
        ["Patient:", "1043"],
        ["Date", "Code", "Th"],
        ["2020-03-05", "D7140", "5"],
    ]
    for row, cells in enumerate(rows):
        page.write_row(row, 0, cells)
    book.close()
