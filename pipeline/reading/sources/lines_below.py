"""Lines that stand below the one row that they are about: `** VOIDED 08/01/2022 **`.

Where PRACTICE.toml says what such lines make of a row, each row has the text of its lines in the column `(line below)`.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.reading.sources.around import Around
from pipeline.reading.sources.source import ROW, Batch
from pipeline.reading.sources.standing_names import fits

LINE_BELOW = "(line below)"
_SHEET_LINE = r"^.*?, row \d+: "
_ROWS_OF_TABLE = ("repeated_heading", "other_table", "sheet_not_read")
_BETWEEN = "; "


@dataclass
class LinesBelow(Around):
    """A source whose rows have the lines below them that a pattern of `told` fits; see `Source`."""

    told: tuple[str, ...]

    @property
    def headings(self) -> Sequence[str]:
        """Those of the source, and `(line below)`."""
        return [*self.source.headings, LINE_BELOW]

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`. A batch waits for the next one, whose first lines may be about its last row."""
        wanted = None if headings is None else [h for h in headings if h != LINE_BELOW]
        if wanted is not None and headings is not None and LINE_BELOW not in headings:
            yield from self.source.batches(wanted)
            return
        waiting: tuple[Batch, list[str | None]] | None = None
        for batch in self.source.batches(wanted):
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
        line = pl.col("raw_row").fill_null("").str.replace(_SHEET_LINE, "").str.strip_chars(' ,;|\t"')
        is_line = ~pl.col("reason").fill_null("malformed_line").is_in(_ROWS_OF_TABLE)
        lines = malformed.filter(is_line).select(ROW, line=line).sort(ROW)
        return [(int(n), text) for n, text in lines.iter_rows() if is_below(text, self.told)]


def is_below(line: str, told: Sequence[str]) -> bool:
    """Whether a line is one of those told."""
    return any(fits(line, pattern) for pattern in told)


def _joined(before: str | None, line: str) -> str:
    return line if before is None else before + _BETWEEN + line


def _with_lines(batch: Batch, found: list[str | None], headings: Sequence[str] | None) -> Batch:
    rows = batch.rows.with_columns(pl.Series(LINE_BELOW, found, dtype=pl.String))
    return replace(batch, rows=rows if headings is None else rows.select(pl.col(h) for h in headings))
