"""Work done, planned and deleted, each on a sheet, in words that are not known here."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

HEADINGS = ["Chart", "Date", "Code", "Th"]


def make(folder: Path) -> None:
    sheets = {
        "Utf\u00f8rt": [["P1", "2019-03-04", "D2740", "14"], ["P2", "2019-05-06", "D3330", "30"]],
        "Planlagt": [["P3", "2020-01-07", "D2740", "3"]],
        "Slettet": [["P4", "2020-02-07", "D2740", "19"]],
    }
    with xlsxwriter.Workbook(folder / "ledger.xlsx") as book:
        for name, rows in sheets.items():
            page = book.add_worksheet(name)
            for place, row in enumerate([HEADINGS, *rows]):
                page.write_row(place, 0, row)
