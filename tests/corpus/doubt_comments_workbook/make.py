"""A workbook in which the look of a row says whether it stands."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

ROWS = [
    ["P1", "2019-03-04", "D3330", "14"],
    ["P1", "2019-03-25", "D2740", "14"],
    ["P2", "2019-05-06", "D3330", "30"],
    ["P2", "2019-05-20", "D2740", "29"],
    ["P2", "2019-06-17", "D2740", "30"],
    ["P3", "2020-01-07", "D2740", "19"],
    ["P4", "2020-02-17", "D7140", "20"],
    ["P4", "2020-02-24", "D2740", "10"],
    ["P5", "2020-03-19", "D2750", "3"],
    ["P6", "2020-04-21", "D3320", "12"],
]
MARKED = [4, 8]


def make(folder: Path) -> None:
    with xlsxwriter.Workbook(folder / "ledger.xlsx") as book:
        page = book.add_worksheet("Ledger")
        page.write_row(0, 0, ["Chart", "Date", "Code", "Th"])
        for number, row in enumerate(ROWS, 1):
            page.write_row(number, 0, row)
        for number in MARKED:
            page.write_comment(number, 2, "VOID, keyed for another one")
