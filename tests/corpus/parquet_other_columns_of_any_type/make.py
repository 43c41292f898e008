"""A ledger whose other columns hold maps, records, lists, pictures, spans of time and numbers of 76 digits."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq


def make(folder: Path) -> None:
    columns = {
        "Audit": pa.array([[("by", 1)], None, []], pa.map_(pa.string(), pa.int64())),
        "Chart": pa.array(["007", "008", "009"]),
        "Claim": pa.array([{"id": 1, "lines": [{"n": 1}]}, None, None]),
        "Done": pa.array([dt.date(2023, 1, 12), dt.date(2023, 1, 13), None]),
        "Film": pa.array([b"\x89PNG\xff\x00", None, b"\x00"]),
        "Code": pa.array(["D2740", "D3330", "D2740"]),
        "Chair time": pa.array([dt.timedelta(minutes=50), None, None], pa.duration("s")),
        "Tooth": pa.array([3, 14, 3], pa.int8()),
        "Points": pa.array([[[1], [2]], None, []], pa.list_(pa.list_(pa.int8()))),
        "Ledger total": pa.array([Decimal("1.50"), None, None], pa.decimal256(76, 2)),
        "Nothing": pa.nulls(3),
        "Seen": pa.array([dt.datetime(2023, 1, 12, 9)] * 3, pa.timestamp("ns", tz="Nowhere/Town")),  # noqa: DTZ001
    }
    pq.write_table(pa.table(columns), folder / "ledger.parquet")
