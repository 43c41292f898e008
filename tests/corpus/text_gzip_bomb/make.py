"""A small gzipped file that unpacks to a very large one."""

from __future__ import annotations

import gzip
from pathlib import Path


def make(folder: Path) -> None:
    with gzip.open(folder / "ledger.csv.gz", "wb") as packed:
        packed.write(b"Chart No,Date,Code,Th\n")
        for _ in range(110):
            packed.write(b"\n" * 1_000_000)
