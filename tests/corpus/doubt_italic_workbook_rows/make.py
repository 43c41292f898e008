"""A workbook in which the look of a row says whether it stands."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

ROWS = [
    ["P1", "2019-03-04", "D3330", "14"],
    ["P1", "2019-03-25", "D2740", "14"],
    ["P2", "2019-05-06", "D3330", "30"],
    ["P2", "2019-06-17", "D2740", "30"],
    ["P3", "2020-01-07", "D2740", "19"],
    ["P3", "2020-01-20", "D3330", "19"],
    ["P4", "2020-02-17", "D7140", "20"],
    ["P5", "2020-03-19", "D2750", "3"],
    ["P6", "2020-04-21", "D3320", "12"],
    ["P6", "2020-04-27", "D2750", "12"],
]
MARKED = [6, 10]


def make(folder: Path) -> None:
    with xlsxwriter.Workbook(folder / "ledger.xlsx") as book:
        page = book.add_worksheet("Ledger")
        page.write_row(0, 0, ["Chart", "Date", "Code", "Th"])
        italic = book.add_format({"italic": True})
        for number, row in enumerate(ROWS, 1):
            page.write_row(number, 0, row, italic if number in MARKED else None)
