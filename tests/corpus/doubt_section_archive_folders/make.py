"""Two folders."""

from __future__ import annotations

import zipfile
from pathlib import Path


def make(folder: Path) -> None:
    files = {
        "done/2019.csv": "Chart,Date,Code,Th\nP1,2019-03-04,D2740,14\nP2,2019-05-06,D3330,30\n",
        "planned/2019.csv": "Chart,Date,Code,Th\nP3,2020-01-07,D2740,3\nP4,2020-02-07,D2740,19\n",
    }
    with zipfile.ZipFile(folder / "export.zip", "w") as packed:
        for name, text in files.items():
            packed.writestr(name, text)
