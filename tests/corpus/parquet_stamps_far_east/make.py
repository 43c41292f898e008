"""Days as the midnight of a place in the far east, told in UTC."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq


def make(folder: Path) -> None:
    moments = [dt.datetime(2023, 1, day, 14) for day in range(9, 15)]  # noqa: DTZ001
    columns = {
        "Chart": pa.array([f"{n:03d}" for n in range(6)]),
        "Done": pa.array(moments, pa.timestamp("ms", tz="UTC")),
        "Code": pa.array(["D2740"] * 6),
        "Tooth": pa.array([3, 14, 19, 30, 4, 5]),
    }
    pq.write_table(pa.table(columns), folder / "ledger.parquet")
