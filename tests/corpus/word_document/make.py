"""A document."""

from __future__ import annotations

import zipfile
from pathlib import Path


def make(folder: Path) -> None:
    with zipfile.ZipFile(folder / "ledger.docx", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("word/document.xml", "<document/>")
