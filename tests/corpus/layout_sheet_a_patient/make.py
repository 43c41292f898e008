"""A sheet a patient."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "charts.xlsx")
    for name, rows in SHEETS.items():
        sheet = book.add_worksheet(name)
        for n, row in enumerate(rows):
            sheet.write_row(n, 0, row)
    book.close()


HEAD = ["Date", "Code", "Th"]
SHEETS = {
    "Chart 1042": [HEAD, ["2020-03-05", "D2740", "3"], ["2020-03-06", "D3330", "4"]],
    "Chart 1043": [HEAD, ["2021-04-07", "D7140", "5"]],
    "Sheet3": [HEAD, ["2021-04-08", "D7140", "6"]],
}
