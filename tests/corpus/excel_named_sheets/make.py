"""Only the sheets that the TOML names are read, the hidden one among them."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

HEADINGS = ["patient_id", "service_date", "code", "tooth"]


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    for name, patient, tooth in (("2020", "P1", 3), ("Archive", "P2", 14), ("Copy", "P3", 19)):
        page = book.add_worksheet(name)
        page.write_row(0, 0, HEADINGS)
        page.write_row(1, 0, [patient, f"2020-03-0{patient[1]}", "D2740", tooth])
    book.get_worksheet_by_name("Archive").hide()
    book.close()
