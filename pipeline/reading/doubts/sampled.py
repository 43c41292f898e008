"""Rows of one in so many patients, or numbers of entries, by a hash of them: all rows of each that is held, and of as
many as fit in memory."""

from collections.abc import Callable
from dataclasses import dataclass, field

import polars as pl


@dataclass
class Sampled:
    """Rows of one file in pieces, at most `most` of them; `by` is the column of hashes, `united` makes one of rows that
    are alike, in whatever batch they came."""

    by: str
    most: int
    united: Callable[[pl.DataFrame], pl.DataFrame] | None = None
    one_in: int = 1
    pieces: list[pl.DataFrame] = field(default_factory=list)
    _is_settled: bool = True

    @property
    def height(self) -> int:
        """How many rows are held."""
        return sum(piece.height for piece in self.pieces)

    @property
    def is_held(self) -> pl.Expr:
        """Whether rows with such a hash are held."""
        return pl.col(self.by) % self.one_in == 0

    def add(self, rows: pl.DataFrame) -> None:
        """Take in some rows."""
        self.pieces.append(rows.filter(self.is_held) if self.one_in > 1 else rows)
        self._is_settled = False
        while self.height > self.most:
            self.settle()
            if self.height > self.most:
                self.take(2 * self.one_in)

    def take(self, one_in: int) -> None:
        """Hold the rows of one in so many alone, if more are held."""
        if one_in > self.one_in:
            self.one_in = one_in
            self.pieces = [piece.filter(self.is_held) for piece in self.pieces]

    def settle(self) -> None:
        """Make one of rows that are alike."""
        if self.united is not None and not self._is_settled:
            self.pieces = [self.united(pl.concat(self.pieces))]
        self._is_settled = True


@dataclass
class OfFiles:
    """What is held of several files: at most `most` rows together, of the same patients or numbers in all of them.

    It is brought down where a file begins, when those before are read to their ends, so that the order of their rows
    changes nothing; a file adds no more than it may hold itself.
    """

    most: int
    one_in: int = 1
    files: dict[str, Sampled] = field(default_factory=dict)

    def begin(self, file: str, rows: Sampled) -> Sampled:
        """Hold rows of one more file; where it was begun before, in place of what was held of it then."""
        self.files.pop(file, None)
        for one in self.files.values():
            one.settle()
        while sum(one.height for one in self.files.values()) > self.most:
            self.one_in *= 2
            for one in self.files.values():
                one.take(self.one_in)
        rows.take(self.one_in)
        self.files[file] = rows
        return rows
