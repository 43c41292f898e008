"""Small batches that follow one another as one: a workbook has one a sheet, and each costs as much as many rows."""

from collections.abc import Iterable, Iterator, Sequence

import polars as pl

from pipeline.reading.sources.source import Batch

_ENOUGH_ROWS = 1_000


def in_few(batches: Iterable[Batch]) -> Iterator[Batch]:
    """The same rows in fewer batches, small ones that follow one another as one: each costs as much as many rows."""
    waiting: list[Batch] = []
    for batch in batches:
        if waiting and (_unlike(waiting[0], batch) or sum(len(b.numbers) for b in waiting) >= _ENOUGH_ROWS):
            yield _as_one(waiting)
            waiting = []
        waiting.append(batch)
    if waiting:
        yield _as_one(waiting)


def _unlike(one: Batch, other: Batch) -> bool:
    sections = (one.section is None) != (other.section is None)
    return one.rows.schema != other.rows.schema or one.claims is not None or other.claims is not None or sections


def _as_one(batches: Sequence[Batch]) -> Batch:
    if len(batches) == 1:
        return batches[0]
    section = None if batches[0].section is None else pl.concat([b.section for b in batches if b.section is not None])
    numbers, rows = pl.concat([b.numbers for b in batches]), pl.concat([b.rows for b in batches])
    return Batch(numbers, rows, pl.concat([b.malformed for b in batches]), None, section)
