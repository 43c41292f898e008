"""Rows made small and quick for many questions: ids as whole numbers, words as numbered words, only what is asked for.

Numbers stand in the order of the texts, so that nothing that is sorted, counted or clustered by them comes out another
way.
"""

from collections.abc import Iterable, Mapping

import polars as pl

# What every question reads of a row, beside its factor and covariates.
ROW = (
    "row_id",
    "patient_id",
    "provider_id",
    "start",
    "exit_date",
    "exit_reason",
    "entry_days",
    "exit_days",
    "event",
    "recalled",
    "recall_years",
)


def source_of(column: str) -> str:
    """The column that says of each value whether it was recorded or coded, for columns that have one."""
    return f"{column}_from"


def same_numbers(tables: Mapping[str, pl.DataFrame], column: str) -> dict[str, pl.DataFrame]:
    """Tables whose texts in `column` are numbered alike, from 0 in the order of the texts; numbers stay."""
    if not any(frame[column].dtype == pl.String for frame in tables.values()):
        return dict(tables)
    if len(tables) == 1:
        ((name, frame),) = tables.items()
        if frame[column].is_sorted() and not frame[column].null_count():
            return {name: frame.with_columns(pl.col(column).rle_id())}
    distinct = pl.concat([frame[column].unique() for frame in tables.values()]).unique().sort()
    kind = pl.Enum(distinct.drop_nulls())
    number = pl.col(column).cast(kind).to_physical().cast(pl.UInt32)
    return {name: frame.with_columns(number) for name, frame in tables.items()}


def only_columns(rows: pl.DataFrame, names: Iterable[str]) -> pl.DataFrame:
    """The columns of `ROW` and those named, as far as they are there."""
    wanted = {*ROW, *names}
    return rows.select(c for c in rows.columns if c in wanted)


def in_order(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows by `row_id`, then `entry_days`."""
    place = rows["row_id"]
    if place.dtype.is_integer() and bool((place.diff().drop_nulls() > 0).all()):
        return rows
    return rows.sort("row_id", "entry_days")


def words_of(values: pl.Series, code: Mapping[str, str] | None = None) -> pl.Series:
    """Words as questions know them: without blanks around them, in lower case; or what `code` makes of such words."""
    if isinstance(values.dtype, pl.Enum):
        words = _coded(values.dtype.categories, code)
        place = values.to_physical().cast(pl.UInt32).fill_null(len(words))
        return pl.concat([words, pl.Series([None], dtype=pl.String)]).gather(place).alias(values.name)
    return _coded(values.cast(pl.String), code)


def _coded(words: pl.Series, code: Mapping[str, str] | None) -> pl.Series:
    plain = words.str.strip_chars().str.to_lowercase()
    return plain if code is None else plain.replace_strict(code, default=None, return_dtype=pl.String)
