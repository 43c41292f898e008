"""More than 2,000 columns."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    text = ",".join(["Chart No", "Date", "Code", "Th", *map(str, range(2_000))])
    (folder / "ledger.csv").write_text(f"{text}\n")
