"""One sheet a clinic: the name of the sheet says which."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

HEADINGS = ["patient_id", "service_date", "code", "tooth"]


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    for name, patient in (("North", "P1"), ("South", "P2")):
        page = book.add_worksheet(name)
        page.write_row(0, 0, HEADINGS)
        page.write_row(1, 0, [patient, "2020-03-01", "D2740", 3])
    book.close()
