"""How the dates and numbers of a file are written: as told, as the file says itself, or as all its values prove.

What is not told is found in one reading of the columns in question before the rows are typed; if all is told, there is
none.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.config import Practice, TableSource
from pipeline.errors import ConfigError
from pipeline.fields import YEARS_OF, kind
from pipeline.sources import Source
from pipeline.transforms.clean import YEAR_ALONE, map_values, trimmed
from pipeline.transforms.dates import DateForm, bare_dates, decide_form, gather_evidence, has_short_year
from pipeline.transforms.decimals import DecimalEvidence, decide_decimal, gather_decimals

_NUMBERS = ("fee", "number", "whole")


@dataclass(frozen=True)
class ColumnForms:
    """The form of each date field, and the decimal sign of each field with numbers.

    `assumed` are the fields, with their headings, whose decimal sign is taken to be a point until a comma is seen.
    """

    dates: dict[str, DateForm]
    decimals: dict[str, str]
    assumed: dict[str, str] = dataclasses.field(default_factory=dict)


def column_forms(
    source: Source,
    columns: Mapping[str, str],
    told: TableSource,
    practice: Practice,
    *,
    file: str,
    today: dt.date,
    say: Callable[[str], None],
    assume_point: bool = False,
) -> ColumnForms:
    """Settle how the columns of a file are read; `columns` maps fields to headings.

    With `assume_point` numbers alone are no reason to read the file ahead: see `ColumnForms.assumed`.

    Raises
    ------
    ConfigError
        If `date_format` has a year of two digits and no `two_digit_years_from` says which years these are.
    DataError
        If the values of a column do not settle its form.
    """
    pattern = source.spoken.date_format or told.date_format or practice.date_format
    serial = source.spoken.serial_dates or told.serial_dates or practice.serial_dates
    years_from = told.two_digit_years_from or practice.two_digit_years_from
    dates = [f for f in columns if kind(told.name, f) == "date"]
    numbers = [f for f in columns if kind(told.name, f) in _NUMBERS]
    if dates and years_from is None and has_short_year(pattern):
        raise ConfigError(
            f'[tables.{told.name}] date_format = "{pattern}" has a year of two digits (%y). Write '
            "two_digit_years_from = 1950 beside it to read 50 as 1950 and 49 as 2049."
        )
    undecided = {f: columns[f] for f in (dates if pattern == "auto" else [])}
    unproved = {f: columns[f] for f in (numbers if told.decimal is None and not source.spoken.fields else [])}
    assumed = unproved if assume_point and not undecided else {}
    counts, proofs = _read_once(source, undecided, {} if assumed else unproved, told)
    forms = {f: DateForm(pattern=pattern, years_from=years_from, serial=serial) for f in dates if pattern != "auto"}
    for name, counted in counts.items():
        column = f'{file}: column "{columns[name]}" ({name})'
        forms[name] = decide_form(
            gather_evidence(counted), column=column, table=told.name, years_from=years_from, serial=serial
        )
        if forms[name].epoch:
            say(f"{told.name}: {column} is read as seconds or milliseconds since 1970, by the clock of Greenwich")
        if forms[name].buddhist:
            say(f"{told.name}: {column} has years of the Buddhist era, which are read as 543 years earlier")
        if forms[name].month_first is not None:
            say(f"{told.name}: {column} is read as {'month/day' if forms[name].month_first else 'day/month'}/year")
    forms |= {name: _by_today(forms[name], today) for name in YEARS_OF if name in forms}
    decimals = dict.fromkeys(numbers, told.decimal or ".")
    for name, proof in proofs.items():
        column = f'{file}: column "{columns[name]}" ({name})'
        decimals[name] = decide_decimal(proof, column=column, table=told.name)
        if decimals[name] == ",":
            say(f"{told.name}: {column} is read with a decimal comma")
    return ColumnForms(dates=forms, decimals=decimals, assumed=assumed)


def proves_comma(rows: pl.DataFrame, field: str, heading: str, told: TableSource) -> bool:
    """Whether some number of a column can only have been written with a decimal comma."""
    is_text = rows.schema[heading] == pl.String
    return is_text and gather_decimals(_counts(trimmed(heading), rows, field, told)).comma > 0


def _by_today(form: DateForm, today: dt.date) -> DateForm:
    return dataclasses.replace(form, born_by=today)


def _read_once(
    source: Source, dates: Mapping[str, str], numbers: Mapping[str, str], told: TableSource
) -> tuple[dict[str, pl.DataFrame], dict[str, DecimalEvidence]]:
    """Per date field its distinct texts with their row counts; per number field what its values prove."""
    found: dict[str, list[pl.DataFrame]] = {field: [] for field in dates}
    proved: dict[str, DecimalEvidence] = {}
    wanted = sorted({*dates.values(), *numbers.values()})
    for batch in source.batches(wanted) if wanted else ():
        for field, heading in dates.items():
            if batch.rows.schema[heading] == pl.String:
                found[field].append(_date_counts(batch.rows, heading, field, told))
        for field, heading in numbers.items():
            if batch.rows.schema[heading] == pl.String:
                proof = gather_decimals(_counts(trimmed(heading), batch.rows, field, told))
                before = proved.get(field, DecimalEvidence(0, 0))
                proved[field] = DecimalEvidence(before.comma + proof.comma, before.point + proof.point)
    added = {f: pl.concat(pieces).group_by("text").agg(pl.col("n").sum()) for f, pieces in found.items() if pieces}
    return added, proved


def _date_counts(rows: pl.DataFrame, heading: str, field: str, told: TableSource) -> pl.DataFrame:
    """Distinct dates as written, without the time of day, with their row counts."""
    counts = _counts(pl.lit(bare_dates(rows.select(trimmed(heading)).to_series())), rows, field, told)
    if field in YEARS_OF:  # a year alone is read as the year, and is no evidence of a form
        counts = counts.filter(~pl.col("text").str.contains(YEAR_ALONE))
    return counts


def _counts(text: pl.Expr, rows: pl.DataFrame, field: str, told: TableSource) -> pl.DataFrame:
    """Distinct texts of a column in our words, with their row counts."""
    counts = rows.select(text.alias("text")).drop_nulls().group_by("text").agg(pl.len().cast(pl.Int64).alias("n"))
    return counts.with_columns(map_values(counts["text"], told.values.get(field, {}))).drop_nulls()
