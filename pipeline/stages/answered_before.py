"""Whether the very questions were answered before, of the very rows, by the very program: then the answers stand.

All answers are a pure function of what the store holds, the settings and the program. So they are known by a digest of
all three, and what has the same digest need not be answered again. Where it differs for no reason the questions are
answered once more, with the same figures.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import io
import pickle
import platform
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import polars as pl

ANSWERED = "answered"  # the name under which the store keeps the digest of what its results answer


def digest_of(*asked: object, packages: Iterable[str]) -> str:
    """A digest of what is asked, frames by their rows, of this program's files, and of the packages it counts with."""
    stream = io.BytesIO()
    _ByContent(stream).dump(asked)
    whole = hashlib.sha256(stream.getbuffer())
    whole.update(repr([platform.python_version(), *((name, _version(name)) for name in packages)]).encode())
    folder = Path(__file__).parents[1]  # all of `pipeline`
    for path in sorted(p for p in folder.rglob("*") if p.is_file() and "__pycache__" not in p.parts):
        # Not the version alone: who works on the program changes it between two versions.
        whole.update(f"{path.relative_to(folder).as_posix()}\0{path.stat().st_size}\0".encode())
        whole.update(path.read_bytes())
    return whole.hexdigest()


class _ByContent(pickle.Pickler):
    """Frames by their columns and rows: their bytes also hold what happens to lie where a value is missing."""

    def reducer_override(self, value: Any) -> Any:
        frame = value.collect() if isinstance(value, pl.LazyFrame) else value
        if not isinstance(frame, pl.DataFrame):
            return NotImplemented
        # Twice 64 bits a row: that two tables are taken for one another is out of the question.
        rows = [frame.hash_rows(seed=seed) for seed in (1, 2)]
        if isinstance(value, pl.LazyFrame):  # rows to link, which the store gives in any order, and none counts
            rows = [hashes.sort() for hashes in rows]
        return tuple, ([repr(frame.schema), frame.height, *(_digest(hashes.to_numpy().tobytes()) for hashes in rows)],)


def _digest(content: bytes) -> bytes:
    return hashlib.sha256(content).digest()


def _version(package: str) -> str:
    try:
        return importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return ""
