"""UTF-16 with a mark, tabs between the fields."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    (folder / "ledger.txt").write_text(
        "Chart No\tDate\tCode\tTh\nP1\t2020-03-05\tD2740\t3\nP2\t2020-03-06\tD3330\t4\n", encoding="utf-16"
    )
