"""A picture with the name of a text file."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    start = b"\x89PNG\r\n\x1a\n"
    (folder / "ledger.csv").write_bytes(start + bytes(50))
