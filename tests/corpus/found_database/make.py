"""A database of an office program."""

from __future__ import annotations

import sqlite3
from pathlib import Path


def make(folder: Path) -> None:
    database = sqlite3.connect(folder / "office.db")
    database.execute("create table procs (Chart text, Date text, Code text, Th int, Film blob)")
    rows = [("1042", "2020-03-05", "D2740", 3), ("1042", "2020-03-06", "D3330", 4), ("1043", "2021-04-07", "D7140", 5)]
    database.executemany("insert into procs values (?, ?, ?, ?, zeroblob(2000000))", rows)
    database.execute("create table staff (Name text, Since text)")
    database.execute(
        "create view endless as with recursive n(x) as (select 1 union all select x + 1 from n) select * from n"
    )
    database.commit()
    database.close()
