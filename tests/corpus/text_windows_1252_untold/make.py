"""Windows-1252 that the TOML does not speak of."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    text = "Kürzel;Datum;Ziffer;Zahn\nMüller-1;2020-03-05;D2740;3\nGroß-2;2020-03-06;D3330;4\n"
    (folder / "ledger.csv").write_text(text, encoding="windows-1252")
