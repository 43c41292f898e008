"""Windows-1252, told so."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    text = "Kürzel;Datum;Ziffer;Zahn\nMüller-1;2020-03-05;D2740;3\n"
    (folder / "ledger.csv").write_text(text, encoding="windows-1252")
