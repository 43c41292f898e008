"""Deleted rows keep their status."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    sheets = {
        "Ledger": [
            ["Chart", "Date", "Code", "Th", "St"],
            ["P1", "2019-03-04", "D2740", "14", "C"],
        ],
        "Deleted": [
            ["Chart", "Date", "Code", "Th", "St"],
            ["P2", "2019-05-06", "D3330", "30", "C"],
        ],
    }
    with xlsxwriter.Workbook(folder / "ledger.xlsx") as book:
        for name, rows in sheets.items():
            page = book.add_worksheet(name)
            for place, row in enumerate(rows):
                page.write_row(place, 0, row)
