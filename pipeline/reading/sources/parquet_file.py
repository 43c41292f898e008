"""Parquet: typed columns become text, so that one set of rules reads every source; dates stay dates.

Columns whose values have no text are no columns of the file, unless PRACTICE.toml names them: then the file is refused.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.machine.errors import DataError
from pipeline.practice.fields import input_fields
from pipeline.reading.sources.parquet_cells import NoTextError, are_late, cells, has_text
from pipeline.reading.sources.source import MALFORMED_SCHEMA, Batch, ReadOptions, Spoken, unique_headings

_BATCH_ROWS = 100_000
_LOOK_AT_ROWS = 1_000
_SHOWN = 5


@dataclass(frozen=True)
class _Column:
    """Where a column stands in the file: its name, and the how-many-eth of that name it is, from 0."""

    name: str
    again: int
    type: pa.DataType
    is_mapped: bool
    stamps: bool = False  # moments are written out, for their day is in doubt


@dataclass
class ParquetFile:
    """An opened Parquet file; see `pipeline.reading.sources.source.Source`. No record of it is malformed."""

    path: Path
    columns: Mapping[str, _Column]
    left_out: Sequence[str] = ()
    spoken: Spoken = field(default_factory=Spoken)

    @property
    def headings(self) -> list[str]:
        """Names of the columns that can be read as text."""
        return list(self.columns)

    @property
    def remark(self) -> str | None:
        """Which columns have no text."""
        if not self.left_out:
            return None
        names = ", ".join(self.left_out[:_SHOWN])
        more = f" and {len(self.left_out) - _SHOWN:,} more" if len(self.left_out) > _SHOWN else ""
        return f"columns that are not mapped and cannot be read as text were left out: {names}{more}"

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """Rows from the start of the file; see `Source.batches`. Raises DataError if the file is damaged, or bytes of a
        mapped column are no text."""
        first = 1
        wanted = self.headings if headings is None else list(headings)
        names = list(dict.fromkeys(self.columns[h].name for h in wanted))
        try:
            with pq.ParquetFile(self.path, coerce_int96_timestamp_unit="us") as file:
                for batch in file.iter_batches(_BATCH_ROWS, columns=names):
                    numbers = pl.int_range(first, first + batch.num_rows, dtype=pl.Int64, eager=True)
                    rows = pl.DataFrame([self._cells(batch, h, first).alias(h) for h in wanted])
                    yield Batch(numbers, rows, pl.DataFrame(schema=MALFORMED_SCHEMA))
                    first += batch.num_rows
        except (OSError, pa.ArrowException) as error:
            raise DataError(
                f"{self.path.name}: the file is damaged in or after row {first:,}. Copy or export it again."
            ) from error

    def _cells(self, batch: pa.RecordBatch, heading: str, first: int) -> pl.Series:
        column = self.columns[heading]
        array = _array(batch, column)
        try:
            return cells(array, stamps=column.stamps)
        except NoTextError as error:
            if column.is_mapped:
                rows = f"rows {first:,} to {first + batch.num_rows - 1:,}"
                raise _no_text(self.path, heading, column.type, f"{error} in {rows}") from error
            return pl.Series(array.cast(pa.large_binary())).bin.encode("hex")


def open_parquet(path: Path, options: ReadOptions) -> ParquetFile:
    """Open a Parquet file and look at its first rows. Delimiter and encoding do not apply. Raises DataError if it is no
    Parquet file, or a column that is mapped cannot be read as text."""
    try:
        with pq.ParquetFile(path, coerce_int96_timestamp_unit="us") as file:
            return _look(path, file, {*(h.strip() for h in options.wanted), *input_fields(options.table)})
    except (OSError, pa.ArrowException) as error:
        raise DataError(f"{path.name}: this is no Parquet file that can be read. Export it again.") from error


def _look(path: Path, file: pq.ParquetFile, mapped: set[str]) -> ParquetFile:
    schema = file.schema_arrow
    there: dict[str, _Column] = {}
    left_out = []
    for place, (heading, part) in enumerate(zip(unique_headings(schema.names), schema, strict=True)):
        column = _Column(part.name, schema.names[:place].count(part.name), part.type, heading in mapped)
        try:
            if not has_text(part.type):
                raise NoTextError("values of this type have no text")
            start = _start(file, column)
            cells(start)
        except NoTextError as error:
            if column.is_mapped:
                raise _no_text(path, heading, part.type, str(error)) from error
            left_out.append(f"{heading} ({_said(part.type)})")
        else:
            there[heading] = _Column(part.name, column.again, part.type, column.is_mapped, are_late(start))
    return ParquetFile(path, there, left_out)


def _start(file: pq.ParquetFile, column: _Column) -> pa.Array:
    """The first values of a column. Raises NoTextError if they cannot be had, e.g. because they are packed in a way
    that is not known here."""
    try:
        batch = next(file.iter_batches(_LOOK_AT_ROWS, columns=[column.name]), None)
    except (OSError, pa.ArrowException) as error:
        raise NoTextError("its values cannot be unpacked, or are damaged") from error
    return pa.array([], column.type) if batch is None else _array(batch, column)


def _array(batch: pa.RecordBatch, column: _Column) -> pa.Array:
    places = [place for place, name in enumerate(batch.schema.names) if name == column.name]
    return batch.column(places[column.again])


def _no_text(path: Path, heading: str, of: pa.DataType, why: str) -> DataError:
    return DataError(
        f'{path.name}: the column "{heading}" is of the type {_said(of)}: {why}.\n'
        "  Export it as text, as numbers or as dates, one value in each row; or map another column."
    )


def _said(of: pa.DataType) -> str:
    """The type without the names of the fields within, of which there may be hundreds."""
    kinds = {
        "map": pa.types.is_map,
        "record": pa.types.is_struct,
        "union": pa.types.is_union,
        "list": lambda of: "list" in str(of)[:20],
        "dictionary": pa.types.is_dictionary,
    }
    return next((name for name, is_kind in kinds.items() if is_kind(of)), str(of)[:60])
