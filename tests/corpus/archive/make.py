"""An archive of two files."""

from __future__ import annotations

import zipfile
from pathlib import Path


def make(folder: Path) -> None:
    with zipfile.ZipFile(folder / "export.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("2020/ledger.csv", "Chart,Date,Code,Th\n1042,2020-03-05,D2740,3\n1042,2020-03-06,D3330,4\n")
        packed.writestr("2021/ledger.csv", "Th;Code;Date;Chart\n5;D7140;2021-04-07;1043\n")
        packed.writestr("read me.txt", "These are the rows of two years.\n")
        packed.writestr("__MACOSX/2020/._ledger.csv", b"\0\1")
