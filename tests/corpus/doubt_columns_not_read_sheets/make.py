"""Two sheets with the same headings, under names that say nothing."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

DONE = [
    ["P1", "2019-03-04", "D3330", "14"],
    ["P1", "2019-03-25", "D2740", "14"],
    ["P2", "2019-05-06", "D3330", "30"],
    ["P2", "2019-06-17", "D2740", "30"],
    ["P3", "2020-01-07", "D2740", "19"],
    ["P4", "2020-02-17", "D7140", "20"],
    ["P5", "2020-03-19", "D2750", "3"],
    ["P6", "2020-04-21", "D3320", "12"],
]
WISHES = [["P1", "2020-06-02", "D2740", "30"], ["P2", "2020-06-09", "D3330", "3"]]


def make(folder: Path) -> None:
    with xlsxwriter.Workbook(folder / "ledger.xlsx") as book:
        for name, rows in (("Ledger", DONE), ("Parking lot", WISHES)):
            page = book.add_worksheet(name)
            page.write_row(0, 0, ["Chart", "Date", "Code", "Th"])
            for number, row in enumerate(rows, 1):
                page.write_row(number, 0, row)
