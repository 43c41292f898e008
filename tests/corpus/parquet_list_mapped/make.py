"""A ledger with a list of teeth in each row."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq


def make(folder: Path) -> None:
    columns = {
        "Chart": pa.array(["007", "008"]),
        "Done": pa.array(["2023-01-12", "2023-01-13"]),
        "Code": pa.array(["D2740", "D3330"]),
        "Tooth": pa.array([["3"], ["14", "15"]]),
    }
    pq.write_table(pa.table(columns), folder / "ledger.parquet")
