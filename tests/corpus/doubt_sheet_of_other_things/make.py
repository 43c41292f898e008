"""A workbook with a sheet of bills that were taken back."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    sheets = {
        "Prestazioni": [["Paziente", "Data", "Codice", "Dente", "Fattura"], ["P1", "2020-03-01", "D2740", 3, 11]],
        "Fatture": [["Fattura", "Data storno"], [11, "2020-04-01"]],
    }
    for name, cells in sheets.items():
        page = book.add_worksheet(name)
        for row, texts in enumerate(cells):
            page.write_row(row, 0, texts)
    book.close()
