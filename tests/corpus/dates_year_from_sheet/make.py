"""A sheet a year, whose days lack the year."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    rows = {
        "2019": [["P1", "14.03.", "D2740", 3]],
        "2020": [["P1", "01.12.", "D3330", 3], ["P2", "31.5.", "D2740", 14]],
    }
    for name, cells in rows.items():
        page = book.add_worksheet(name)
        for row, texts in enumerate([["Patient", "Datum", "Code", "Zahn"], *cells]):
            page.write_row(row, 0, texts)
    book.close()
