"""A workbook with a password: the outer shell that such files have."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    shell = bytes.fromhex("d0cf11e0a1b11ae1") + bytes(1016) + "EncryptedPackage".encode("utf-16-le") + bytes(480)
    (folder / "ledger.xlsx").write_bytes(shell)
