"""A ledger with a coloured, empty cell far below and far to the right, and two blank rows in between."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    page = book.add_worksheet("Ledger")
    rows = [
        ["patient_id", "service_date", "code", "tooth"],
        ["P1", "2020-03-01", "D2740", 3],
        [],
        [],
        ["P2", "2020-03-02", "D2740", 14],
    ]
    for row, cells in enumerate(rows):
        page.write_row(row, 0, cells)
    page.write_blank(1_048_000, 300, None, book.add_format({"bg_color": "#ffee00"}))
    book.close()
