"""Which files have to be read: those that are new, and those last read under settings that have changed since."""

import hashlib
import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import polars as pl

from pipeline.practice.codes import BUILT_IN
from pipeline.practice.settings import Settings
from pipeline.practice.tables import NOTES
from pipeline.reading.config import joined_lists

# To be raised when the same text would be typed differently than before: stored files are then read again.
TYPING_VERSION = 12


@dataclass(frozen=True)
class FileToRead:
    """One file: where it is, its name in messages, the SHA-256 of its bytes, the load that it will be. `again` is true
    if the load is there already and is to be replaced."""

    path: Path
    name: str
    digest: str
    load_id: int
    again: bool


def files_to_read(
    paths: Sequence[Path],
    *,
    table: str,
    folder: Path,
    stored: pl.DataFrame,
    first_id: int,
    fingerprint: str,
    say: Callable[[str], None],
) -> list[FileToRead]:
    """Those of `paths` that are new or were last read under other settings, in the order of their loads.

    A file is known by its bytes, not by its name: a file of the same name with other bytes is another load, and a copy
    under another name is none. `first_id` is the number of the first new load. `stored` holds the loads of the database
    (see `store_tables.STORED_LOADS`).
    """
    known = {row["hash"]: row for row in stored.filter(pl.col("table_name") == table).iter_rows(named=True)}
    next_id = first_id
    found: dict[str, FileToRead] = {}
    seen: set[str] = set()
    for path in paths:
        name, digest = Path(os.path.relpath(path, folder)).as_posix(), sha256(path)
        before = known.get(digest)
        if digest in seen or (before and before["settings"] == fingerprint):
            say(f"{table}: {name}: nothing new")
        elif before:
            found[digest] = FileToRead(path, name, digest, before["load_id"], True)
        else:
            found[digest] = FileToRead(path, name, digest, next_id, False)
            next_id += 1
        seen.add(digest)
    if gone := len(known.keys() - seen):
        say(f"{table}: {gone} of the files read earlier are not listed now; their rows stay")
    return sorted(found.values(), key=lambda file: file.load_id)


def fingerprint(settings: Settings, table: str, codes: pl.DataFrame, merged: Mapping[str, str]) -> str:
    """A digest of every setting that decides how the text of a table's files is typed, and of the numbers of patients
    that were `merged` into others."""
    source, practice = settings.tables[table], settings.practice
    parts = {
        "version": TYPING_VERSION,
        "source": {k: v for k, v in asdict(source).items() if k != "files"},
        "date_format": source.date_format or practice.date_format,
        "tooth_notation": practice.tooth_notation,
        "two_digit_years_from": practice.two_digit_years_from,
        "serial_dates": practice.serial_dates,
        "patients": [practice.patient_ids, practice.numbering],
        "time_zone": practice.time_zone,
        "standards": asdict(settings.standards),
        **({"words": asdict(settings.notes)} if table == NOTES.name else {}),
        "codes": [practice.code_system in BUILT_IN and practice.code_system, *codes.sort("code").rows()]
        if table == "procedures"
        else [],
        "joined": [sha256(Path(join.file)) for join in joined_lists(settings, table)],
        **({"merged": sorted(merged.items())} if merged else {}),
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
