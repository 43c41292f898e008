"""No headings at all, and the table does not begin at the first column."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    page = book.add_worksheet("Ledger")
    page.write_row(0, 1, ["P1", "2020-03-01", "D2740", 3])
    page.write_row(1, 1, ["P2", "2020-03-02", "D2740", 14])
    book.close()
