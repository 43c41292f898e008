"""Columns of a typed file as the text that a person would write for them, type by type.

Whole numbers stand without `.0` (an id may have become a float or a decimal by a gap), dates stay dates, a moment is
the day on which it was where its zone says, a time of day is `09:30:00`. What has no such text (lists, records, spans
of time, pictures) has no cells.
"""

import polars as pl
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.transforms.dates import NOON
from pipeline.transforms.other_days import days_in_doubt

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
    """A column as text, or as dates; with `stamps` moments are written out, as `2020-03-01T22:00:00Z`.

    Raises
    ------
    NoTextError
        If its values have no text.
    """
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
