"""UTF-32 with a mark."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    (folder / "ledger.csv").write_text(
        "Chart No,Date,Code,Th\nP1,2020-03-05,D2740,3\nP2,2020-03-06,D3330,4\n", encoding="utf-32"
    )
