"""Parquet: typed columns become text, so that one set of rules reads every source; dates stay dates."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import DataError
from pipeline.sources.source import MALFORMED_SCHEMA, Batch, ReadOptions, Spoken

_BATCH_ROWS = 100_000
_MAX_WHOLE = 2.0**53  # beyond this a float no longer holds every whole number


@dataclass
class ParquetFile:
    """An opened Parquet file; see `pipeline.sources.source.Source`. No record of it is malformed."""

    path: Path
    headings: list[str]
    spoken: Spoken = field(default_factory=Spoken)

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """Rows from the start of the file; see `Source.batches`."""
        first = 1
        wanted = self.headings if headings is None else list(headings)
        with pq.ParquetFile(self.path) as file:
            for batch in file.iter_batches(_BATCH_ROWS, columns=wanted):
                numbers = pl.int_range(first, first + batch.num_rows, dtype=pl.Int64, eager=True)
                first += batch.num_rows
                frame = pl.DataFrame(pl.from_arrow(batch))
                yield Batch(
                    numbers, frame.select(_as_text(frame, h) for h in wanted), pl.DataFrame(schema=MALFORMED_SCHEMA)
                )


def open_parquet(path: Path, options: ReadOptions) -> ParquetFile:
    """Open a Parquet file. Delimiter and encoding do not apply.

    Raises
    ------
    DataError
        If it is no Parquet file, or a heading is there twice.
    """
    try:
        with pq.ParquetFile(path) as file:
            headings = list(file.schema_arrow.names)
    except (OSError, pa.ArrowInvalid) as error:
        raise DataError(f"{path.name}: this is no Parquet file that can be read. Export it again.") from error
    if len(set(headings)) < len(headings):
        raise DataError(f"{path.name}: a column name is there twice. Give each column a name of its own.")
    return ParquetFile(path, headings)


def _as_text(frame: pl.DataFrame, name: str) -> pl.Expr:
    """Text, but for dates. A float that is whole is written without its `.0`: an id may have become one by a gap."""
    column, dtype = pl.col(name), frame.schema[name]
    if dtype == pl.Date:
        return column
    if isinstance(dtype, pl.Datetime):
        return column.dt.replace_time_zone(None).cast(pl.Date)
    if dtype.is_float():
        whole = (column == column.floor()) & (column.abs() < _MAX_WHOLE)
        return (
            pl.when(whole)
            .then(column.cast(pl.Int64, strict=False).cast(pl.String))
            .otherwise(column.cast(pl.String))
            .alias(name)
        )
    if dtype == pl.Binary:
        return column.bin.encode("hex")
    if dtype.is_nested():
        return pl.struct(column).struct.json_encode().alias(name)
    return column.cast(pl.String)
