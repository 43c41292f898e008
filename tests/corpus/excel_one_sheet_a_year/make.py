"""One sheet a year with the columns in another order, and a summary that is not read."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

HEADINGS = ["patient_id", "service_date", "code", "tooth"]


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    rows = {
        "Summary": [["Crowns", 3]],
        "2020": [HEADINGS, ["P1", "2020-03-01", "D2740", 3], ["P2", "2020-03-02", "D2740", 14]],
        "2021": [["tooth", "code", "service_date", "patient_id"], [19, "D2740", "2021-03-03", "P3"]],
    }
    for name, cells in rows.items():
        page = book.add_worksheet(name)
        for row, texts in enumerate(cells):
            page.write_row(row, 0, texts)
    book.close()
