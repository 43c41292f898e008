"""The second sheet has one heading by another name."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

HEADINGS = ["patient_id", "service_date", "code", "tooth"]


def make(folder: Path) -> None:
    book = xlsxwriter.Workbook(folder / "ledger.xlsx")
    for name, first in (("2020", "patient_id"), ("2021", "Chart No")):
        page = book.add_worksheet(name)
        page.write_row(0, 0, [first, *HEADINGS[1:]])
        page.write_row(1, 0, ["P1", "2020-03-01", "D2740", 3])
    book.close()
