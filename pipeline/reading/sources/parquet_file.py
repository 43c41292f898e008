"""Parquet: typed columns become the text that a person would write, so that one set of rules reads every source.

Whole numbers stand without `.0` (an id may have become a float or a decimal by a gap), dates stay dates, a moment is
the day on which it was where its zone says, a time of day is `09:30:00`. Columns whose values have no such text (lists,
records, spans of time, pictures) are no columns of the file, unless PRACTICE.toml names them: then it is refused.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.machine.errors import DataError
from pipeline.practice.fields import input_fields
from pipeline.reading.sources.source import MALFORMED_SCHEMA, Batch, ReadOptions, Spoken, unique_headings
from pipeline.transforms.dates import NOON
from pipeline.transforms.other_days import days_in_doubt

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


_MAX_WHOLE = 2.0**53  # beyond this a float no longer holds every whole number
_MOST_DIGITS = 38  # of a decimal of 128 bits
_UTC = ("UTC", "Etc/UTC", "+00:00", "Z", "GMT")


class NoTextError(Exception):
    """The values of a column have no text; the argument says why, without a value."""


def has_text(of: pa.DataType) -> bool:
    """Whether columns of a type can be read as text at all; bytes can if they are text."""
    of = plain_type(of)
    return bool(pa.types.is_primitive(of) and not pa.types.is_duration(of) and not pa.types.is_interval(of)) or any(
        is_kind(of) for is_kind in (pa.types.is_null, pa.types.is_decimal, is_texts, is_bytes)
    )


def plain_type(of: pa.DataType) -> pa.DataType:
    """The type of the values themselves, but for UUIDs, which keep theirs."""
    while not is_uuid(of):
        if isinstance(of, pa.BaseExtensionType):
            of = of.storage_type
        elif pa.types.is_dictionary(of) or pa.types.is_run_end_encoded(of):
            of = of.value_type
        else:
            break
    return of


def is_uuid(of: pa.DataType) -> bool:
    """Whether values are numbers that are written as `xxxxxxxx-xxxx-xxxx-xxxx-xxxxxxxxxxxx`."""
    return getattr(of, "extension_name", "") == "arrow.uuid"


def is_texts(of: pa.DataType) -> bool:
    """Whether values are text, or numbers with a text of their own."""
    return is_uuid(of) or pa.types.is_string(of) or pa.types.is_large_string(of) or pa.types.is_string_view(of)


def is_bytes(of: pa.DataType) -> bool:
    """Whether values are bytes, which many programs write where they mean text."""
    kinds = (pa.types.is_binary, pa.types.is_large_binary, pa.types.is_binary_view, pa.types.is_fixed_size_binary)
    return not is_uuid(of) and any(is_kind(of) for is_kind in kinds)


def are_late(column: pa.Array) -> bool:
    """Whether moments told in UTC are all on a full hour after noon, or their hours are hours of work of a place where
    it is another day, so that another day may be meant."""
    if not (pa.types.is_timestamp(column.type) and column.type.tz in _UTC):
        return False
    moments = pl.Series(pc.local_timestamp(column.drop_null()))
    full = (moments.dt.minute() == 0) & (moments.dt.hour() > NOON)
    if not moments.len() or full.all():
        return moments.len() > 0
    timed = moments.filter((moments.dt.hour() > 0) | (moments.dt.minute() > 0))
    hours = {int(h): int(n) for h, n in timed.dt.hour().value_counts(name="n").iter_rows()}
    return bool((timed.dt.minute() > 0).any()) and days_in_doubt(hours) is not None


def cells(column: pa.Array, *, stamps: bool = False) -> pl.Series:
    """A column as text, or as dates; with `stamps` moments are written out, as `2020-03-01T22:00:00Z`. Raises
    NoTextError if its values have no text."""
    of = plain_type(column.type)
    if not has_text(of):
        raise NoTextError("values of this type have no text")
    column = _decoded(column)
    if is_uuid(of):
        return _uuids(column)
    if pa.types.is_null(of):
        return pl.repeat(None, len(column), dtype=pl.String, eager=True)
    if pa.types.is_date(of):
        return pl.Series(column.cast(pa.date32()))
    if pa.types.is_timestamp(of):
        return _moments(column, stamps=stamps)
    if pa.types.is_floating(of):
        return _floats(pl.Series(column.cast(pa.float32()) if of == pa.float16() else column))
    if pa.types.is_decimal(of):
        return _decimals(column)
    if is_bytes(of):
        return _texts(_from_bytes(column))
    if pa.types.is_time(of):
        return pl.Series(column.cast(pa.string())).str.replace(r"\.0+$", "")
    return _texts(pl.Series(column.cast(pa.large_string())))


def _decoded(column: pa.Array) -> pa.Array:
    while True:
        if isinstance(column, pa.ExtensionArray):
            column = column.storage
        elif isinstance(column, pa.DictionaryArray):
            column = column.dictionary_decode()
        elif pa.types.is_run_end_encoded(column.type):
            column = pc.run_end_decode(column)
        else:
            return column


def _texts(texts: pl.Series) -> pl.Series:
    """No database holds a NUL in a text."""
    has_nul = texts.str.contains("\0", literal=True).any()
    return texts.str.replace_all("\0", "\ufffd", literal=True) if has_nul else texts


def _from_bytes(column: pa.Array) -> pl.Series:
    try:
        texts = pl.Series(column.cast(pa.large_binary()).cast(pa.large_string()))
    except pa.ArrowInvalid as error:
        raise NoTextError("its bytes are not UTF-8 text") from error
    if texts.str.contains(r"[\x00-\x08\x0e-\x1f]").any():
        raise NoTextError("its bytes are no text")
    return texts


def _uuids(column: pa.Array) -> pl.Series:
    digits = pl.Series(column.cast(pa.large_binary())).bin.encode("hex")
    return digits.str.replace(r"^(.{8})(.{4})(.{4})(.{4})(.{12})$", "${1}-${2}-${3}-${4}-${5}")


def _moments(column: pa.Array, *, stamps: bool) -> pl.Series:
    if column.type.tz is not None:
        try:
            column = pc.local_timestamp(column)
        except pa.ArrowInvalid as error:
            raise NoTextError("nothing is known of its time zone") from error
    moments = pl.Series(column)
    return moments.dt.strftime("%Y-%m-%dT%H:%M:%SZ") if stamps else moments.cast(pl.Date)


def _floats(numbers: pl.Series) -> pl.Series:
    """What is no number (NaN) is how some programs write that nothing is known."""
    numbers = numbers.fill_nan(None)
    whole = (numbers == numbers.floor()) & (numbers.abs() < _MAX_WHOLE)
    texts = numbers.cast(pl.String)
    return numbers.cast(pl.Int64, strict=False).cast(pl.String).zip_with(whole.fill_null(False), texts)


def _decimals(column: pa.Array) -> pl.Series:
    if column.type.precision > _MOST_DIGITS or column.type.scale < 0:
        written = [None if value is None else format(value, "f") for value in column.to_pylist()]
        texts = pl.Series(written, dtype=pl.String)
    else:
        texts = pl.Series(column).cast(pl.String)
    return texts.str.replace(r"\.0+$", "")
