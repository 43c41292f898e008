"""A link in the folder that leads to a file elsewhere."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    outside = folder.parent / "elsewhere.csv"
    outside.write_text("Chart No,Date,Code,Th\nP1,2020-03-05,D2740,3\nP2,2020-03-06,D3330,4\n")
    (folder / "ledger.csv").symlink_to(outside)
