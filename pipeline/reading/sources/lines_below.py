"""Lines that stand below the one row that they are about: `** VOIDED 08/01/2022 **`.

Where PRACTICE.toml says what such lines make of a row, each row has the text of its lines in the column `(line below)`.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.reading.sources.source import ROW, Around, Batch, plain_line
from pipeline.reading.sources.standing_names import fits

LINE_BELOW = "(line below)"
_ROWS_OF_TABLE = ("repeated_heading", "other_table", "sheet_not_read")
_BETWEEN = "; "


@dataclass
class LinesBelow(Around):
    """A source whose rows have the lines below them that a pattern of `told` fits; see `Source`."""

    told: tuple[str, ...]

    @property
    def added(self) -> Sequence[str]:
        """`(line below)`."""
        return [LINE_BELOW]

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`. A batch waits for the next one, whose first lines may be about its last row."""
        if headings is not None and LINE_BELOW not in headings:
            yield from self.source.batches(headings)
            return
        waiting: tuple[Batch, list[str | None]] | None = None
        for batch in self.source.batches(self.within(headings)):
            found: list[str | None] = [None] * batch.rows.height
            numbers = batch.numbers.to_numpy()
            for number, line in self._lines(batch.malformed):
                place = int(np.searchsorted(numbers, number)) - 1
                if place >= 0:
                    found[place] = _joined(found[place], line)
                elif waiting is not None and waiting[1]:
                    waiting[1][-1] = _joined(waiting[1][-1], line)
            if waiting is not None and batch.rows.height:
                yield _with_lines(*waiting, headings)
                waiting = None
            elif waiting is not None:  # only lines: they go out, and the row before them still waits
                yield _with_lines(batch, found, headings)
                continue
            waiting = batch, found
        if waiting is not None:
            yield _with_lines(*waiting, headings)

    def _lines(self, malformed: pl.DataFrame) -> list[tuple[int, str]]:
        is_line = ~pl.col("reason").fill_null("malformed_line").is_in(_ROWS_OF_TABLE)
        lines = malformed.filter(is_line).select(ROW, line=plain_line()).sort(ROW)
        return [(int(n), text) for n, text in lines.iter_rows() if is_below(text, self.told)]


def is_below(line: str, told: Sequence[str]) -> bool:
    """Whether a line is one of those told."""
    return any(fits(line, pattern) for pattern in told)


def _joined(before: str | None, line: str) -> str:
    return line if before is None else before + _BETWEEN + line


def _with_lines(batch: Batch, found: list[str | None], headings: Sequence[str] | None) -> Batch:
    return replace(batch, rows=batch.rows.with_columns(pl.Series(LINE_BELOW, found, dtype=pl.String))).only(headings)
