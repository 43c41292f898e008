"""A workbook made for the case."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    page = book.add_worksheet("Report")
    rows = [
        ["Ledger of the year"],
        ["Patient: 1042 Moor"],
        ["Date", "Code", "Th"],
        ["2020-03-05", "D2740", "3"],
        ["2020-03-06", "D3330", "4"],
        ["Total", "900"],
        ["Patient: 1043 Lane"],
        ["Date", "Th", "Code", "Note"],
        ["2020-03-05", "5", "D7140", "hard"],
    ]
    for row, cells in enumerate(rows):
        page.write_row(row, 0, cells)
    book.close()
