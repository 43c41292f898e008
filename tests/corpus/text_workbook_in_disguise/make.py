"""An old workbook with the name of a text file."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    start = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
    (folder / "ledger.csv").write_bytes(start + bytes(504))
