"""Linking part by part: the result is that of linking all rows at once, whatever the number of parts.

Two things cannot be known from one part: the day up to which all data reach, and the day on which they begin. So each
part is read first (`read_ledger`); then, with both days known, each is linked (`link_ledger`). Crowns and courses are
numbered over all parts at the end, in the order of teeth, as they are without parts.
"""

from __future__ import annotations

import datetime as dt
import functools
import hashlib
import importlib.metadata
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

import polars as pl

from pipeline.errors import DataError
from pipeline.scale.partition import frames_of, read_part, split
from pipeline.scale.run_partitions import run
from pipeline.transforms.events import ROW
from pipeline.transforms.link import Ledger, Linked, LinkInput, LinkRules, link_ledger, numbered, read_ledger
from pipeline.transforms.timing import KEY

FRAMES = ("events", "history", "crown_details", "ends", "deceased", "gaps", "extracted", "set_aside")
COPIES = 3  # parts, ledgers and results, all packed: less than three times the rows in memory
RESULTS = ("crowns", "endo_courses", "tooth_followup", "set_aside")


def link_in_parts(
    tables: LinkInput,
    codes: pl.DataFrame,
    rules: LinkRules,
    *,
    parts: int,
    folder: Path,
    executor: Executor | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> Linked:
    """Link in `parts` parts, whose files go into `folder`: the same tables, sets and counts as `link` gives.

    `folder` is scratch, on a disk that every worker of `executor` sees, and of nobody else. It is removed at the end;
    a run that is stopped leaves it, and the next one on the same rows, codes and rules goes on with what is there.

    Raises
    ------
    DataError
        Where the disk has too little room for the parts, before any is written; and as `run` does.
    """
    frames = frames_of(tables)
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    _check_room(frames, folder)
    scratch = folder / f"link-{_fingerprint(frames, codes, rules, parts)}"
    for other in folder.glob("link-*"):
        if other != scratch:
            shutil.rmtree(other, ignore_errors=True)
    split_parts = _split_once(frames, scratch / "parts", parts=parts, say=say)
    codes.write_parquet(scratch / "codes.parquet")
    reading = functools.partial(
        read_one, codes=scratch / "codes.parquet", cutoff=rules.data_cutoff, until=tables.contacts_until
    )
    ledgers = run(reading, split_parts, scratch / "ledgers", executor=executor, say=say, what="reading")
    days = pl.concat([pl.read_parquet(p / "days.parquet") for p in ledgers])
    begin, cutoff = (v if isinstance(v, dt.date) else None for v in (days["begin"].min(), days["cutoff"].max()))
    linking = functools.partial(link_one, rules=rules, begin=begin, cutoff=cutoff)
    linked = run(linking, ledgers, scratch / "linked", executor=executor, say=say, what="linking")
    found = merged(linked, cutoff=cutoff, left_out=tables.left_out)
    shutil.rmtree(folder, ignore_errors=True)
    return found


def read_one(place: Path, *, codes: Path, cutoff: dt.date | None, until: dt.date | None) -> Mapping[str, pl.DataFrame]:
    """The ledger of one part as tables: those of `FRAMES`, `days` (one row: begin, cutoff) and `counts`."""
    ledger = read_ledger(read_part(place, contacts_until=until), pl.read_parquet(codes), data_cutoff=cutoff)
    days = pl.DataFrame(
        {"begin": [ledger.begin], "cutoff": [ledger.cutoff]}, schema=dict.fromkeys(("begin", "cutoff"), pl.Date())
    )
    own = {
        "days": days,
        "counts": pl.DataFrame([ledger.counts]),
        "patient_ids": ledger.patient_ids.to_frame("patient_id"),
    }
    return {name: getattr(ledger, name) for name in FRAMES} | own


def link_one(
    place: Path, *, rules: LinkRules, begin: dt.date | None, cutoff: dt.date | None
) -> Mapping[str, pl.DataFrame]:
    """One part linked, given the days on which the data of all parts begin and end; its numbers are its own."""
    ledger = Ledger(
        **{name: pl.read_parquet(place / f"{name}.parquet") for name in FRAMES},
        begin=begin,
        cutoff=cutoff,
        cutoff_asked=rules.data_cutoff,
        counts=pl.read_parquet(place / "counts.parquet").row(0, named=True),
        patient_ids=pl.read_parquet(place / "patient_ids.parquet")["patient_id"],
    )
    found = link_ledger(replace(ledger, ends=_reasons_by(ledger.ends, cutoff)), rules)
    return {name: getattr(found, name) for name in RESULTS} | {"counts": pl.DataFrame([found.counts])}


def _reasons_by(ends: pl.DataFrame, cutoff: dt.date | None) -> pl.DataFrame:
    """Why follow-up ends, by the day up to which all data reach.

    A part by itself took its own last day for that day, so a last contact on it was put down to the cut-off.
    """
    early = (pl.col("end_reason") == "cutoff") & (pl.col("followup_end") < pl.lit(cutoff, pl.Date))
    return ends.with_columns(end_reason=pl.when(early).then(pl.lit("last_contact")).otherwise("end_reason"))


def merged(places: Sequence[Path], *, cutoff: dt.date | None, left_out: Mapping[str, int]) -> Linked:
    """The parts as one, numbered over all of them."""
    tables = {name: _together(places, name) for name in RESULTS}
    crowns = numbered(tables["crowns"].sort(*KEY, "crown_id").rename({"crown_id": "own"}), "crown_id", "C")
    courses = numbered(tables["endo_courses"].sort(*KEY, "course_id").rename({"course_id": "own"}), "course_id", "E")
    names = {
        "crown_id": crowns.select("of_part", "own", new="crown_id"),
        "course_id": courses.select("of_part", "own", new="course_id"),
    }
    crowns = _renamed(crowns, "course_id", names["course_id"])
    courses = _renamed(courses, "crown_id", names["crown_id"])
    summed = pl.concat([pl.read_parquet(place / "counts.parquet") for place in places]).sum().row(0, named=True)
    shapes = {name: [c for c in tables[name].columns if c != "of_part"] for name in RESULTS}
    return Linked(
        crowns=crowns.select(shapes["crowns"]).sort("crown_id"),
        endo_courses=courses.select(shapes["endo_courses"]).sort("course_id"),
        tooth_followup=tables["tooth_followup"].select(shapes["tooth_followup"]).sort(KEY),
        set_aside=tables["set_aside"].select(shapes["set_aside"]).sort(ROW),
        cutoff=cutoff,
        counts={name: n + left_out.get(name, 0) for name, n in summed.items()},
    )


def _check_room(frames: Mapping[str, pl.DataFrame], folder: Path) -> None:
    """Refuse to begin where the parts, the ledgers read from them and the results would not fit on the disk."""
    size = sum(rows.estimated_size() for rows in frames.values())
    free = shutil.disk_usage(folder).free
    if free < COPIES * size:
        raise DataError(
            f"Linking in parts needs about {COPIES * size / 1e6:,.0f} MB beside the database, and {free / 1e6:,.0f} MB "
            "are free. Make room, or link without --parts and --workers; nothing was changed."
        )


def _fingerprint(frames: Mapping[str, pl.DataFrame], codes: pl.DataFrame, rules: LinkRules, parts: int) -> str:
    """What the files of a run stand for: the same rows in any order, codes, rules, number of parts and versions."""
    told = [f"{parts} {rules!r} {pl.__version__} {importlib.metadata.version('toothyears')}"]
    for name, rows in {**frames, "codes": codes}.items():
        told.append(f"{name} {rows.height} {rows.hash_rows(seed=1).sum() if rows.height else 0}")
    return hashlib.sha256("|".join(told).encode()).hexdigest()[:24]


def _split_once(
    frames: Mapping[str, pl.DataFrame], folder: Path, *, parts: int, say: Callable[[str], None]
) -> list[Path]:
    if not folder.is_dir():
        say(f"parting the rows into {parts:,} groups of patients")
        beside = folder.with_name(f"{folder.name}.tmp")
        shutil.rmtree(beside, ignore_errors=True)
        split(frames, beside, parts=parts)
        os.replace(beside, folder)
    return sorted(folder.iterdir())


def _together(places: Sequence[Path], name: str) -> pl.DataFrame:
    read = (
        pl.read_parquet(p / f"{name}.parquet").with_columns(of_part=pl.lit(i, pl.UInt32)) for i, p in enumerate(places)
    )
    return pl.concat(list(read))


def _renamed(rows: pl.DataFrame, column: str, names: pl.DataFrame) -> pl.DataFrame:
    """The rows with the numbers of their part in `column` replaced by those over all parts."""
    told = names.rename({"own": column})
    return (
        rows.join(told, on=["of_part", column], how="left", maintain_order="left")
        .with_columns(pl.col("new").alias(column))
        .drop("new")
    )
