"""UTF-8 to which lines in Windows-1252 were added."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    text = "Chart No;Date;Code;Th\nMüller-1;2020-03-05;D2740;3\n"
    (folder / "ledger.csv").write_bytes(text.encode() + text.encode("windows-1252")[22:])
