"""Lines that end in CR alone, as on old Macs."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    (folder / "ledger.csv").write_bytes(b"Chart No,Date,Code,Th\rP1,2020-03-05,D2740,3\rP2,2020-03-06,D3330,4\r")
