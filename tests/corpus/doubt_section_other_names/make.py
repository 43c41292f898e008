"""A ledger, its drafts, and what was thrown away, under a name that is not known."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path


def make(folder: Path) -> None:
    tables = {
        "ledger": [["P1", "2019-03-04", "D2740", "14"], ["P2", "2019-05-06", "D3330", "30"]],
        "ledger_proposed": [["P3", "2020-01-07", "D2740", "3"]],
        "ledger_oddments": [["P4", "2020-02-07", "D2740", "19"]],
    }
    with closing(sqlite3.connect(folder / "office.db")) as database, database:
        for name, rows in tables.items():
            database.execute(f"create table {name} (Chart, Date, Code, Th)")
            database.executemany(f"insert into {name} values (?, ?, ?, ?)", rows)
