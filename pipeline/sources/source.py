"""What every kind of source file promises: its headings, and its rows as text in batches of bounded size."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import polars as pl

ROW = "row_number"
MALFORMED_SCHEMA: dict[str, pl.DataType] = {ROW: pl.Int64(), "raw_row": pl.String()}


@dataclass(frozen=True)
class Batch:
    """Some rows of a file.

    `numbers` are their row numbers (1 is the first row under the heading) and `rows` the rows, one column per heading:
    text or, where the file has types, dates. `malformed` holds the records that are no rows: row_number, raw_row.
    """

    numbers: pl.Series
    rows: pl.DataFrame
    malformed: pl.DataFrame


class Source(Protocol):
    """An opened file."""

    @property
    def headings(self) -> Sequence[str]:
        """The headings, trimmed, each once; a heading that is there twice ends in ` (2)` the second time."""

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """Read the file from the start; only the columns `headings` if given. Every record comes out exactly once."""


@dataclass(frozen=True)
class ReadOptions:
    """What PRACTICE.toml says of a file; `wanted` are the headings that it names."""

    wanted: tuple[str, ...] = ()
    delimiter: str | None = None
    encoding: str | None = None


def unique_headings(headings: Sequence[str]) -> list[str]:
    """Trimmed headings, each once: empty ones get `column N`, repeated ones a number."""
    found: list[str] = []
    for place, heading in enumerate(headings, 1):
        name = plain = heading.strip() or f"column {place}"
        again = 1
        while name in found:
            again += 1
            name = f"{plain} ({again})"
        found.append(name)
    return found
