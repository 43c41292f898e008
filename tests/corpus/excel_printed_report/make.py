"""A report made for printing: title, blank rows, headings on every page, notes and a totals line."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

HEADINGS = ["patient_id", "service_date", "code", "tooth"]


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    page = book.add_worksheet("Report")
    page.write(0, 0, "Alder Row Dental")
    page.write_row(1, 0, ["Procedures", "all clinicians"])
    rows = [
        HEADINGS,
        ["P1", "2020-03-01", "D2740", 3],
        ["Page 2"],
        HEADINGS,
        ["P2", "2020-03-02", "D2740", 14],
        [],
        ["P3", "2020-03-03", "D2740", 19],
        [],
        ["3 procedures"],
    ]
    for row, cells in enumerate(rows, 3):
        page.write_row(row, 0, cells)
    book.close()
