"""An archive in an archive."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path


def make(folder: Path) -> None:
    with zipfile.ZipFile(folder / "export.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        inner = io.BytesIO()
        with zipfile.ZipFile(inner, "w") as more:
            more.writestr("ledger.csv", "Chart,Date,Code,Th\n")
        packed.writestr("more.zip", inner.getvalue())
