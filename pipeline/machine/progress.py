"""How far long work is: what is done, how fast, and how long the rest will take."""

import time
from collections.abc import Callable


class Progress:
    """Tells of work in pieces, at most once in `every` seconds, and of the last piece.

    - `what`: What is done; `of` names its pieces.
    - `total`: All pieces together, by the measure that `step` is told: files, parts, bytes.
    - `rows`: All rows, where they are known before; each piece then counts for its share of them.
    - `quick`: Work done within so many seconds is not told of at all.
    """

    def __init__(
        self,
        what: str,
        total: int,
        say: Callable[[str], None],
        *,
        of: str = "",
        rows: int | None = None,
        every: float = 2.0,
        quick: float = 0.0,
    ) -> None:
        self._what, self._total, self._say, self._of = what, max(total, 1), say, of
        self._all_rows, self._rows, self._every, self._quick = rows, 0, every, quick
        self._done, self._begun, self._told = 0, time.monotonic(), float("-inf")

    def step(self, pieces: int = 1, *, rows: int = 0) -> None:
        """So many more pieces, and rows, are done."""
        self._done += pieces
        self._rows += rows
        now = time.monotonic()
        took = now - self._begun
        last = self._done >= self._total
        if took < self._quick or (not last and now - self._told < self._every):
            return
        self._told = now
        self._say(self._text(took, last=last))

    def _text(self, took: float, *, last: bool) -> str:
        share = min(1.0, self._done / self._total)
        rows = self._rows if self._all_rows is None else round(share * self._all_rows)
        pieces = f"{self._done:,} of {self._total:,} {self._of}".rstrip() if self._of else f"{share:.0%}"
        speed = f", {rows:,} rows, {rows / max(took, 1e-3):,.0f} a second" if rows else ""
        left = "" if last or not self._done else f", about {took * (1 - share) / share:.0f} s left"
        return f"{self._what}: {pieces}{speed}{left}"
