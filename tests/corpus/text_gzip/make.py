"""A gzipped file."""

from __future__ import annotations

import gzip
from pathlib import Path


def make(folder: Path) -> None:
    (folder / "ledger.csv.gz").write_bytes(
        gzip.compress(b"Chart No,Date,Code,Th\nP1,2020-03-05,D2740,3\nP2,2020-03-06,D3330,4\n", mtime=0)
    )
