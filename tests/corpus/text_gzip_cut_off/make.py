"""A gzipped file that was cut off on its way."""

from __future__ import annotations

import gzip
from pathlib import Path


def make(folder: Path) -> None:
    text = b"Chart No,Date,Code,Th\n" + b"".join(b"P%d,2020-03-05,D2740,3\n" % n for n in range(5_000))
    (folder / "ledger.csv.gz").write_bytes(gzip.compress(text, mtime=0)[:-200])
