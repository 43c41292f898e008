"""A hidden sheet has the headings too: to be read, or an old copy?."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

HEADINGS = ["patient_id", "service_date", "code", "tooth"]


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    for name in ("2020", "Archive"):
        page = book.add_worksheet(name)
        page.write_row(0, 0, HEADINGS)
        page.write_row(1, 0, ["P1", "2020-03-01", "D2740", 3])
    book.get_worksheet_by_name("Archive").hide()
    book.close()
