"""A table as a database writes it: numbers as decimals and floats, text as bytes, words numbered, days as moments."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq


def make(folder: Path) -> None:
    moments = [dt.datetime(2023, 1, 13, 4, 30), dt.datetime(2023, 1, 13, 16)]  # noqa: DTZ001
    columns = {
        "Chart": pa.array([Decimal("70012.0000000000"), Decimal("70013.0000000000")], pa.decimal128(38, 10)),
        "Done": pa.array(moments, pa.timestamp("ns", tz="America/Chicago")),
        "Code": pa.array([b"D2740", b"D3330"], pa.large_binary()),
        "Tooth": pa.array([3.0, 14.0], pa.float32()),
        "status": pa.array(["completed", "completed"]).dictionary_encode(),
    }
    pq.write_table(pa.table(columns), folder / "ledger.parquet")
