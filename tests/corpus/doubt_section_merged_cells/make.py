"""Cells merged across the sheet."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    with xlsxwriter.Workbook(folder / "ledger.xlsx") as book:
        page = book.add_worksheet("Ledger")
        page.write_row(0, 0, ["Chart", "Date", "Code", "Th"])
        page.merge_range(1, 0, 1, 3, "COMPLETED")
        page.write_row(2, 0, ["P1", "2019-03-04", "D2740", "14"])
        page.merge_range(3, 0, 3, 3, "TREATMENT PLAN")
        page.write_row(4, 0, ["P2", "2019-05-06", "D3330", "30"])
