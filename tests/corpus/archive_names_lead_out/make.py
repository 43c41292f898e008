"""A name that leads out."""

from __future__ import annotations

import zipfile
from pathlib import Path


def make(folder: Path) -> None:
    with zipfile.ZipFile(folder / "export.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("../../ledger.csv", "Chart,Date,Code,Th\n1042,2020-03-05,D2740,3\n")
