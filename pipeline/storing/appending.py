"""Rows of files on their way into a table: stored in bulks, each on a thread beside the one that makes the next rows.

A bulk costs the database little more than a few rows do, which it would also write twice: to its log, and when it
brings the log to the table.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import polars as pl

from pipeline.machine.in_turn import InTurn
from pipeline.practice.tables import Table

_BULK = 500_000


@dataclass
class Appending:
    """Rows for one declared table; `insert` puts checked ones into it, `delete` takes those of one load out."""

    table: Table
    beside: InTurn
    insert: Callable[[pl.DataFrame], None]
    delete: Callable[[int], None]
    _held: list[pl.DataFrame] = field(default_factory=list)

    def add(self, rows: pl.DataFrame) -> None:
        """Store some rows, now or with those that follow."""
        self._held.append(rows)
        if sum(frame.height for frame in self._held) > _BULK:
            self.store()

    def store(self) -> None:
        """Store what is held; see `InTurn` for when that is done."""
        if self._held:
            self.beside.do(partial(self._store, self._held))
            self._held = []

    def forget(self, load_id: int) -> None:
        """Take the rows of one load away again; only outside a transaction, which would write all others anew."""
        self.store()
        self.beside.do(partial(self.delete, load_id))

    def _store(self, frames: list[pl.DataFrame]) -> None:
        self.insert(self.table.check(pl.concat(frames), settled=False))
