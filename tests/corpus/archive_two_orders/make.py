"""Files with two orders of day and month in one archive."""

from __future__ import annotations

import zipfile
from pathlib import Path

FILES = {
    "north.csv": "Chart,Date,Code,Th\nP1,03/04/2019,D3330,14\nP1,03/25/2019,D2740,14\nP2,05/06/2019,D3330,30\n"
    "P2,06/17/2019,D2740,30\nP3,01/07/2020,D2740,19\n",
    "south.csv": "Chart,Date,Code,Th\nP4,17/02/2020,D7140,20\nP5,19/03/2020,D2750,3\nP6,21/04/2020,D3320,12\n",
}


def make(folder: Path) -> None:
    with zipfile.ZipFile(folder / "export.zip", "w") as packed:
        for name, text in FILES.items():
            packed.writestr(name, text)
