"""A workbook made for the case."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    page = book.add_worksheet("Report")
    other = book.add_worksheet("More")
    for sheet, first in ((page, "P1"), (other, "")):
        sheet.write_row(0, 0, ["Chart", "Date", "Code", "Th"])
        sheet.write_row(1, 0, [first, "2020-03-05", "D2740", 3])
        sheet.write_row(2, 0, ["", "2020-03-06", "D3330", 4])
    book.close()
