"""A small archive that unpacks to a very large file."""

from __future__ import annotations

import zipfile
from pathlib import Path


def make(folder: Path) -> None:
    with zipfile.ZipFile(folder / "export.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
        packed.writestr("ledger.csv", bytes(150_000_000))
