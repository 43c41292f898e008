"""Whole numbers sorted outside the database, many millions in files of the owner's in the meantime."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

Hashes = NDArray[np.uint64]


def shared_by_new(packed: Hashes) -> Hashes:
    """The numbers that occur several times, at least once marked as new; each once, in order. `packed` holds each
    number doubled, and 1 added where it is marked."""
    ordered = np.sort(packed)
    number = ordered >> np.uint64(1)
    last = np.flatnonzero(np.append(number[1:] != number[:-1], True)) if len(number) else np.empty(0, dtype=np.intp)
    several = np.diff(last, prepend=-1) > 1
    # Of one number the marked ones come last.
    marked = (ordered[last] & np.uint64(1)).astype(bool)
    shared: Hashes = number[last][several & marked]
    return shared


class Sheaves:
    """Numbers parted so that equal ones lie together; a single sheaf stays in memory. Use it in a `with` statement: its
    folder is removed at the end."""

    def __init__(self, folder: Path, sheaves: int) -> None:
        self._folder, self._sheaves = folder, sheaves
        self._kept: list[Hashes] = []

    def __enter__(self) -> Sheaves:
        if self._sheaves > 1:
            self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        shutil.rmtree(self._folder, ignore_errors=True)

    def add(self, packed: Hashes) -> None:
        """Add numbers; see `shared_by_new`."""
        if self._sheaves == 1:
            self._kept.append(packed)
            return
        which = (packed >> np.uint64(1)) % np.uint64(self._sheaves)
        order = np.argsort(which, kind="stable")
        limits = np.searchsorted(which[order], np.arange(self._sheaves + 1, dtype=np.uint64))
        parted = packed[order]
        for n in range(self._sheaves):
            with self._path(n).open("ab") as file:
                file.write(parted[limits[n] : limits[n + 1]].tobytes())

    def each(self) -> Iterator[Hashes]:
        """The numbers, one sheaf after another."""
        if self._sheaves == 1:
            yield np.concatenate(self._kept) if self._kept else np.empty(0, dtype=np.uint64)
            return
        for n in range(self._sheaves):
            yield np.fromfile(self._path(n), dtype=np.uint64) if self._path(n).exists() else np.empty(0, np.uint64)

    def _path(self, n: int) -> Path:
        return self._folder / f"{n}.hashes"
