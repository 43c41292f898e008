"""Linking part by part: the result is that of linking all rows at once, whatever the number of parts.

Two things cannot be known from one part: the day on which all data begin, and the day up to which they reach. The
database tells both as far as one can without the linking rules, and the parts are linked by these days. Should the rows
on one of them turn out not to stand in any part, all parts are linked anew by the days that do. Crowns and courses are
numbered over all parts when they are stored, in the order of teeth, as they are without parts.
"""

import datetime as dt
import functools
import hashlib
import importlib.metadata
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import polars as pl

from pipeline.machine.faults import need_room
from pipeline.practice.counts import count
from pipeline.practice.tables import LINKED_TABLES
from pipeline.stages.scale.run_partitions import Work, run
from pipeline.transforms.events import ROW
from pipeline.transforms.link import TABLES, LinkInput, link_ledger, read_ledger
from pipeline.transforms.rules import LinkRules

BYTES_A_ROW = 400  # parts, ledgers and results of one telling row, all packed


class PartedRows(Protocol):
    """What linking needs, wherever it lies, which can be written in parts of whole patients."""

    rows: int
    until: dt.date | None
    left_out: dict[str, int]
    fees_kept: bool

    def fingerprint(self) -> str:
        """The same for the same rows in any order."""

    def span(self) -> tuple[dt.date | None, dt.date | None]:
        """The first and the last day on which the rows say that something was so."""

    def write_parts(self, folder: Path, *, parts: int) -> list[Path]:
        """Write the parts that `read_part` reads."""


@dataclass(frozen=True)
class LinkedParts:
    """Where each part's crowns, courses and teeth lie, numbered by themselves; the rest of `Linked` for all parts."""

    places: list[Path]
    set_aside: pl.DataFrame
    begin: dt.date | None
    cutoff: dt.date | None
    counts: dict[str, int]


def link_in_parts(
    gathered: PartedRows,
    codes: pl.DataFrame,
    rules: LinkRules,
    *,
    parts: int,
    folder: Path,
    executor: Executor | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> LinkedParts:
    """Link in `parts` parts, whose files go into `folder`: the same tables, sets and counts as `link` gives.

    `folder` is scratch, on a disk that every worker of `executor` sees, and of nobody else. The caller removes it once
    what it holds is stored; a run that is stopped leaves it, and the next one on the same rows, codes and rules goes on
    with what is there.

    Raises DataError where the disk has too little room for the parts, before any is written; and as `run` does.
    """
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    scratch = folder / f"link-{_fingerprint(gathered, codes, rules, parts)}"
    for other in folder.glob("link-*"):
        if other != scratch:
            shutil.rmtree(other, ignore_errors=True)
    instead = "Make room, or link without --parts and --workers"
    need_room(gathered.rows * BYTES_A_ROW, folder, what="Linking in parts needs", instead=instead)
    how: dict[str, Any] = {"executor": executor, "say": say, "rows": gathered.rows}
    split_parts = _split_once(gathered, scratch / "parts", parts=parts, say=say)
    codes.write_parquet(scratch / "codes.parquet")
    days = gathered.span()
    linked = run(_linking(gathered, scratch, rules, days), split_parts, scratch / "linked", what="linking", **how)
    standing = _standing_days(linked, rules)
    if standing != days:
        say("linking anew: rows on the first or the last day do not stand")
        again = _linking(gathered, scratch, rules, standing)
        linked = run(again, split_parts, scratch / "linked-anew", what="linking", **how)
    begin, cutoff = standing
    summed = pl.concat([pl.read_parquet(place / "counts.parquet") for place in linked]).sum().row(0, named=True)
    return LinkedParts(
        places=linked,
        set_aside=pl.concat([pl.read_parquet(place / "set_aside.parquet") for place in linked]).sort(ROW),
        begin=begin,
        cutoff=cutoff,
        counts={name: n + gathered.left_out.get(name, 0) for name, n in summed.items()},
    )


def link_one(
    place: Path,
    *,
    codes: Path,
    rules: LinkRules,
    until: dt.date | None,
    fees_kept: bool,
    begin: dt.date | None,
    cutoff: dt.date | None,
) -> Mapping[str, pl.DataFrame]:
    """One part linked, given the days on which the data of all parts begin and end; its numbers are its own.

    Beside the tables of `LINKED_TABLES`: `set_aside`, `counts` (one row) and `days` (one row: the part's own)
    """
    tables = read_part(place, contacts_until=until, fees_kept=fees_kept)
    ledger = read_ledger(tables, pl.read_parquet(codes), rules, last_day=cutoff)
    days = pl.DataFrame(
        {"begin": [ledger.begin], "cutoff": [ledger.latest]}, schema=dict.fromkeys(("begin", "cutoff"), pl.Date())
    )
    found = link_ledger(replace(ledger, begin=begin), rules)
    of_part = pl.lit(int(place.name.rpartition("-")[2]), pl.UInt32).alias("of_part")
    linked = {t.name: t.check(getattr(found, t.name)).with_columns(of_part) for t in LINKED_TABLES}
    return linked | {"set_aside": found.set_aside, "counts": pl.DataFrame([found.counts]), "days": days}


def read_part(place: Path, *, contacts_until: dt.date | None, fees_kept: bool) -> LinkInput:
    """One part as the input of linking, told the last day asked for and whether most crown rows of all have a fee."""
    scans = {name: pl.scan_parquet(place / f"{name}.parquet") for name in TABLES}
    return LinkInput(**scans, contacts_until=contacts_until, fees_kept=fees_kept, left_out={})


def _linking(
    gathered: PartedRows, scratch: Path, rules: LinkRules, days: tuple[dt.date | None, dt.date | None]
) -> Work:
    begin, cutoff = days
    codes = scratch / "codes.parquet"
    return functools.partial(
        link_one,
        codes=codes,
        rules=rules,
        until=gathered.until,
        fees_kept=gathered.fees_kept,
        begin=begin,
        cutoff=cutoff,
    )


def _standing_days(places: Sequence[Path], rules: LinkRules) -> tuple[dt.date | None, dt.date | None]:
    """The first and last day of all parts, once the linking rules have said which rows stand."""
    days = pl.concat([pl.read_parquet(place / "days.parquet") for place in places])
    begin, cutoff = (v if isinstance(v, dt.date) else None for v in (days["begin"].min(), days["cutoff"].max()))
    return begin, rules.data_cutoff or cutoff


def _fingerprint(gathered: PartedRows, codes: pl.DataFrame, rules: LinkRules, parts: int) -> str:
    """What the files of a run stand for: the same rows in any order, codes, rules, number of parts and versions."""
    coded = codes.hash_rows(seed=1).sum() if codes.height else 0
    told = f"{parts} {rules!r} {pl.__version__} {importlib.metadata.version('toothyears')} {codes.height} {coded}"
    return hashlib.sha256(f"{told} {gathered.fingerprint()}".encode()).hexdigest()[:24]


def _split_once(gathered: PartedRows, folder: Path, *, parts: int, say: Callable[[str], None]) -> list[Path]:
    if not folder.is_dir():
        say(f"parting {count(gathered.rows, 'row')} into {count(parts, 'group')} of patients")
        beside = folder.with_name(f"{folder.name}.tmp")
        shutil.rmtree(beside, ignore_errors=True)
        gathered.write_parts(beside, parts=parts)
        os.replace(beside, folder)
    return sorted(folder.iterdir())
