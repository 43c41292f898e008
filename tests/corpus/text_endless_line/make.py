"""A line longer than 1 MB."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    text = "Chart No,Date,Code,Th\nP1,2020-03-05,D2740,3\n" + "P2,2020-03-06,D3330,4 " * 60_000
    (folder / "ledger.csv").write_text(text)
