"""NUL bytes far into a file."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    with (folder / "ledger.csv").open("wb") as out:
        out.write(b"Chart No,Date,Code,Th\n")
        out.write(b"P1,2020-03-05,D2740,3\n" * 60_000)
        out.write(b"P1,2020-03-05,D27\x0040,3\n")
