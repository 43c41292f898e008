"""One part of what linking reads: a folder of Parquet, written by `store_linking.write_parts`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl

from pipeline.transforms.link import TABLES, LinkInput, tables_of


def read_part(place: Path, *, contacts_until: dt.date | None, fees_kept: bool) -> LinkInput:
    """One part as the input of linking; `contacts_until` is the last day that was asked for,
    `fees_kept` whether most crown rows of all parts have a fee."""
    scans = {name: pl.scan_parquet(place / f"{name}.parquet") for name in TABLES}
    return tables_of(scans, contacts_until=contacts_until, fees_kept=fees_kept)
