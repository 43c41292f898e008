"""A workbook with a copy of its sheet, one row of which was edited."""

from pathlib import Path

import xlsxwriter

ROWS = [(1001 + n, f"2019-0{1 + n}-04", "D2740", 3 + n) for n in range(8)]


def make(folder: Path) -> None:
    with xlsxwriter.Workbook(folder / "ledger.xlsx") as book:
        for name, edited in (("Ledger", 0), ("Ledger (2)", 1)):
            sheet = book.add_worksheet(name)
            sheet.write_row(0, 0, ["Chart", "Date", "Code", "Th"])
            for n, row in enumerate(ROWS):
                sheet.write_row(n + 1, 0, [*row[:2], "D3330" if edited and n == 3 else row[2], row[3]])
