"""A small file that unpacks to a very large one."""

from __future__ import annotations

import zipfile
from pathlib import Path


def make(folder: Path) -> None:
    with zipfile.ZipFile(folder / "ledger.xlsx", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", bytes(40_000_000))
