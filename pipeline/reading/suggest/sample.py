"""A bounded sample of a file: all of it if it is small, else slices from its start to its end."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from pipeline.reading.sources import Batch, Source
from pipeline.reading.sources.source import Spoken, in_few

# Neighbouring rows belong together (one visit, one patient), so slices are kept, not single rows.
_FIRST_ROWS = 20_000
_SLICE_ROWS = 1_000
_MOST_SLICES = 40


@dataclass
class SampledSource:
    """Some batches of a file, held, as a `Source`; `rows_seen` counts all records, `whole` whether all are held."""

    headings: Sequence[str]
    spoken: Spoken
    held: list[Batch] = field(repr=False)
    rows_seen: int
    whole: bool

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """The rows held, with the numbers that they have in the file; see `Source.batches`."""
        for batch in self.held:
            rows = batch.rows if headings is None else only(batch.rows, headings)
            yield replace(batch, rows=rows)

    @property
    def rows_held(self) -> int:
        """Records held, also those that are no rows."""
        return sum(len(batch.numbers) + batch.malformed.height for batch in self.held)


def sample_source(source: Source) -> SampledSource:
    """Read a source once and keep a bounded sample of it: of the first batch 20,000 rows, of each later one 1,000 from
    its middle, of the last one its end, every second slice dropped again where these are too many; of records that
    are no rows as many. Small batches, as of many sheets, are held as few."""
    held: list[Batch] = []
    seen, whole, stride, last = 0, True, 1, None
    for number, batch in enumerate(source.batches()):
        seen += len(batch.numbers) + batch.malformed.height
        last = (number, batch)
        if number % stride:
            whole = False
            continue
        most = _FIRST_ROWS if number == 0 else _SLICE_ROWS
        start = 0 if number == 0 else max(0, (len(batch.numbers) - most) // 2)
        whole &= len(batch.numbers) <= most and batch.malformed.height <= most
        held.append(_slice(batch, start, most))
        if len(held) > _MOST_SLICES and sum(len(b.numbers) for b in held) > _FIRST_ROWS:
            held, stride = held[::2], 2 * stride
            whole = False
    if not whole and last is not None and last[0] > 0:
        end = last[1]
        first = max(0, len(end.numbers) - _SLICE_ROWS)
        held = [b for b in held if not (len(b.numbers) and len(end.numbers) and b.numbers[-1] >= end.numbers[first])]
        held.append(_slice(end, first, _SLICE_ROWS))
    return SampledSource(list(source.headings), source.spoken, list(in_few(held)), seen, whole)


def sample_rows(sampled: SampledSource) -> pl.DataFrame:
    """The rows held as text, trimmed, empty cells null; dates year first."""
    schema = {h: pl.String() for h in sampled.headings}
    frames = [_texts(only(batch.rows, sampled.headings)) for batch in sampled.held]
    return pl.concat([pl.DataFrame(schema=schema), *frames])


def only(rows: pl.DataFrame, headings: Sequence[str]) -> pl.DataFrame:
    """Some columns by their exact names: a heading such as `*` is no pattern here."""
    return pl.DataFrame([rows.get_column(h) for h in headings])


def _texts(rows: pl.DataFrame) -> pl.DataFrame:
    text = pl.all().cast(pl.String).str.strip_chars().replace("", None)
    return rows.select(text) if rows.width else rows


def _slice(batch: Batch, start: int, rows: int) -> Batch:
    numbers = batch.numbers.slice(start, rows)
    claims = batch.claims
    if claims is not None:
        claims = claims.filter(pl.col("row_number").is_in(numbers.implode()))
    section = None if batch.section is None else batch.section.slice(start, rows)
    return Batch(numbers, batch.rows.slice(start, rows), batch.malformed.head(rows), claims, section)
