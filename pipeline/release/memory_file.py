"""The file that remembers releases, beside the key of the pseudonyms: it outlives the database.

It holds the figures that were made for sharing and, of the records behind them, keyed fingerprints of patients that
name nobody. It is put in place whole or not at all, and its owner alone may read it.
"""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.machine.errors import DataError
from pipeline.machine.private_files import private_folder, write_private
from pipeline.practice.pseudonyms import HAS_MEMORY, MEMORY, NOTHING_SHARED

FORM = "toothyears releases 1"
BEGIN_ANEW = "begin anew"  # what the practice puts into the file where nothing has left, or no copy is left
Marks = Mapping[str, pl.Series]


@dataclass(frozen=True)
class Release:
    """Figures made for sharing: of one kind, on a day, from records and settings known by digest, rounded by a text."""

    kind: str
    made_on: dt.date
    records: str
    settings: str
    rounded_by: str
    figures: str

    @property
    def id(self) -> str:
        """By what the database and the record beside a shared file know the release again."""
        return release_id(self.figures)


def release_id(figures: str) -> str:
    """The first digits of a digest of figures."""
    return hashlib.sha256(figures.encode()).hexdigest()[:16]


@dataclass(frozen=True)
class Memory:
    """All releases in the order in which they were made, and by the digest of records the marks of their patients.

    `secret` is what the marks are keyed with, 32 bytes in hexadecimal digits. `anew` says that it began anew by the
    practice's own word, so that figures made before are not missed in it; `unused` that it stands since the key was
    made, so that none were.
    """

    secret: str = ""
    releases: tuple[Release, ...] = ()
    marks: Mapping[str, Marks] = ()  # type: ignore[assignment]
    anew: bool = False
    unused: bool = False

    def with_release(self, new: Release, marks: Marks) -> Memory:
        """The memory with one release more."""
        return replace(
            self, unused=False, releases=(*self.releases, new), marks={**dict(self.marks), new.records: marks}
        )


def memory_path(key: Path) -> Path:
    """Where the memory lies: beside the key, under its name."""
    return key.with_suffix(MEMORY)


def read_memory(path: Path) -> Memory:
    """The memory in a file; an empty one where there is no file, or one that says so or to begin anew.

    Raises DataError where the file cannot be read or is none of ours: nothing is shared then, since it might be
    subtracted.
    """
    if not path.exists():
        return Memory(marks={})
    try:
        content = path.read_bytes()
        if content.strip() == BEGIN_ANEW.encode():
            return Memory(marks={}, anew=True)
        if content.strip() == NOTHING_SHARED.encode():
            return Memory(marks={}, unused=True)
        told = json.loads(content)
        if told["form"] != FORM:
            raise ValueError("form")
        releases = tuple(Release(**{**r, "made_on": dt.date.fromisoformat(r["made_on"])}) for r in told["releases"])
        marks = {digest: {what: _numbers(m) for what, m in kept.items()} for digest, kept in told["marks"].items()}
        if {r.records for r in releases} - set(marks) or len(bytes.fromhex(told["secret"])) < 32:
            raise ValueError("marks")
    except OSError as error:
        raise DataError(
            f"{path.name}: what was shared before is remembered in it, and it cannot be read ({error.strerror}). "
            "Check that you may read the file."
        ) from None
    except (AttributeError, KeyError, TypeError, ValueError):
        raise DataError(
            f"{path.name}: what was shared before is remembered in it, and it is damaged or of another version. "
            f"{_WHAT_TO_DO}"
        ) from None
    return Memory(told["secret"], releases, marks, told.get("anew") is True)


def refuse_forgotten(key: Path, memory: Memory, made: Iterable[str]) -> None:
    """Refuse to go on where a release that is known to have been made, by its id, is not in the memory.

    Also where there is none, though the key was made with one: whatever else is lost, nobody knows that nothing was
    shared. A key of an earlier version does not say so, and is not asked.

    Raises DataError where figures made now could be subtracted from those of before.
    """
    path = memory_path(key)
    forgotten = set(made) - {r.id for r in memory.releases}
    if not path.exists() and not forgotten and _has_memory(key):
        raise DataError(
            f"{path.name}: was made with the key, to remember what is made for sharing, and is not there. {_WHAT_TO_DO}"
        )
    if not memory.anew and forgotten:
        lies = "an older copy" if path.exists() else "not there"
        raise DataError(
            f"{path.name}: figures of this practice were made for sharing before, and the file that remembers them is "
            f"{lies}. {_WHAT_TO_DO}"
        )


def _has_memory(key: Path) -> bool:
    try:
        return HAS_MEMORY.encode() in key.read_bytes()
    except OSError:
        return False


_WHAT_TO_DO = (
    "Put the latest copy in its place. If nothing made so far has left the practice, or if there is no copy, put a "
    f"text file of that name there which holds the words `{BEGIN_ANEW}` alone: what is shared from then on can be "
    "held against all that was shared before."
)


def write_memory(path: Path, memory: Memory) -> None:
    """Put the memory in its place.

    Raises DataError where that cannot be done: what is not remembered is not shared.
    """
    told = {
        "form": FORM,
        "secret": memory.secret,
        "anew": memory.anew,
        "releases": [{**asdict(r), "made_on": r.made_on.isoformat()} for r in memory.releases],
        "marks": {digest: {what: _text(m) for what, m in kept.items()} for digest, kept in memory.marks.items()},
    }
    try:
        private_folder(path.parent)
        write_private(path, json.dumps(told, sort_keys=True, indent=1))
    except OSError as error:
        raise DataError(
            f"{path.name}: what is shared must be remembered beside the key, and that cannot be written "
            f"({error.strerror}). Check that the folder of the key is there and that you may write to it."
        ) from None


def _text(marks: pl.Series) -> str:
    return base64.b64encode(marks.to_numpy().astype("<i8").tobytes()).decode()


def _numbers(text: str) -> pl.Series:
    return pl.Series("mark", np.frombuffer(base64.b64decode(text, validate=True), "<i8"), dtype=pl.Int64())
