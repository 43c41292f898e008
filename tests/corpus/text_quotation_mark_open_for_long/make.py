"""A quotation mark that is never closed, far above the next one."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    rows = [f"P{n},2020-03-05,D2740,3," for n in range(1, 1_012)]
    rows[99] += '"never closed'
    (folder / "ledger.csv").write_text("\n".join(["Chart No,Date,Code,Th,Note", *rows, ""]))
