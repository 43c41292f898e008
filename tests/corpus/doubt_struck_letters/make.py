"""A code corrected by hand."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter


def make(folder: Path) -> None:
    with xlsxwriter.Workbook(folder / "ledger.xlsx") as book:
        page, struck = book.add_worksheet("Ledger"), book.add_format({"font_strikeout": True})
        page.write_row(0, 0, ["Chart", "Date", "Code", "Th"])
        page.write_row(1, 0, ["P1", "2019-03-04", "D2740", "14"])
        page.write_row(2, 0, ["P2", "2019-05-06", "", "30"])
        page.write_rich_string(2, 2, struck, "D2740", " D3330")
