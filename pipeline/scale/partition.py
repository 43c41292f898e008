"""Parting what linking reads by patient, so that each part can be linked by itself: no patient is in two parts.

A part is a folder of Parquet files, one a table. Which part a patient is in hangs on a hash of the patient's id alone,
the same on every machine and in every version.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path

import polars as pl

from pipeline.transforms.link import LinkInput

TABLES = ("procedures", "patients", "crown_details", "findings", "contacts")


def part_of(patient_ids: Iterable[str], parts: int) -> list[int]:
    """The part, from 0, of each patient."""
    return [int.from_bytes(hashlib.blake2b(p.encode(), digest_size=8).digest(), "big") % parts for p in patient_ids]


def frames_of(tables: LinkInput) -> dict[str, pl.DataFrame]:
    """What linking reads, by name; `contacts` only where there are any apart."""
    return {name: found.collect() for name in TABLES if (found := getattr(tables, name)) is not None}


def split(frames: Mapping[str, pl.DataFrame], folder: Path, *, parts: int) -> list[Path]:
    """Write the parts into `folder`, which must be new or empty; returns them in order, those without rows too.

    Raises ValueError for fewer than one part.
    """
    if parts < 1:
        raise ValueError("at least one part is needed")
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    digits = len(str(parts - 1))
    places = [folder / f"part-{n:0{digits}}" for n in range(parts)]
    for place in places:
        place.mkdir(mode=0o700)
    for name, rows in frames.items():
        ids = rows["patient_id"].unique().sort()
        key = pl.DataFrame({"patient_id": ids, "of_part": pl.Series(part_of(ids, parts), dtype=pl.UInt32)})
        placed = rows.join(key, on="patient_id", how="left")
        by_part = placed.partition_by("of_part", as_dict=True, include_key=False)
        empty = rows.clear()
        for n, place in enumerate(places):
            by_part.get((n,), empty).write_parquet(place / f"{name}.parquet", compression="lz4")
    return places


def read_part(place: Path, *, contacts_until: dt.date | None = None) -> LinkInput:
    """One part as the input of linking."""
    scans = {
        name: pl.scan_parquet(place / f"{name}.parquet") for name in TABLES if (place / f"{name}.parquet").exists()
    }
    return LinkInput(
        procedures=scans["procedures"],
        patients=scans["patients"],
        crown_details=scans["crown_details"],
        findings=scans["findings"],
        contacts=scans.get("contacts"),
        contacts_until=contacts_until,
    )
