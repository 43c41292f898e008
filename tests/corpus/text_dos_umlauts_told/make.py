"""The umlauts of a DOS program, told so."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    text = "Chart No;Date;Code;Th\nKönig-1;2020-03-05;D2740;3\n"
    (folder / "ledger.csv").write_text(text, encoding="cp850")
