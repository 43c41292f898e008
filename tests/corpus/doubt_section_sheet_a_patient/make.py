"""A sheet a patient."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    sheets = {
        "P1 planned": [
            ["Date", "Code", "Th"],
            ["2019-03-04", "D2740", "14"],
        ],
        "P2": [
            ["Date", "Code", "Th"],
            ["2019-05-06", "D3330", "30"],
        ],
    }
    with xlsxwriter.Workbook(folder / "ledger.xlsx") as book:
        for name, rows in sheets.items():
            page = book.add_worksheet(name)
            for place, row in enumerate(rows):
                page.write_row(place, 0, row)
