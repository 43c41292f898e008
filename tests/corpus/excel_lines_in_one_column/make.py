"""A workbook in whose first column the whole lines of a CSV stand."""

from pathlib import Path

import xlsxwriter

ROWS = [(1001 + n, f"2019-0{1 + n}-04", "D2740", 3 + n) for n in range(8)]


def make(folder: Path) -> None:
    with xlsxwriter.Workbook(folder / "ledger.xlsx") as book:
        sheet = book.add_worksheet()
        sheet.write_column(0, 0, ["Chart,Date,Code,Th", *(",".join(map(str, row)) for row in ROWS)])
