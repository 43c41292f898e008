"""How the dates and numbers of a file are written: as told, as the file says itself, or as all its values prove.

What is not told is found in one reading of the columns in question before the rows are typed; if all is told, there is
none.
"""

import dataclasses
import datetime as dt
import functools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.machine.errors import ConfigError, DataError, TwoOrdersError
from pipeline.practice.fields import YEARS_OF, kind
from pipeline.practice.settings import Practice
from pipeline.practice.table_settings import EACH, TableSource
from pipeline.practice.tables import INPUT_TABLES
from pipeline.reading.sources import Source
from pipeline.reading.sources.source import SHEET
from pipeline.transforms.clean import YEAR_ALONE, Caches, Reading, map_values, trimmed
from pipeline.transforms.dates import DateForm, bare_dates, decide_form, gather_evidence, has_short_year
from pipeline.transforms.other_days import ERAS
from pipeline.transforms.parsers import DecimalEvidence, decide_decimal, gather_decimals

_ORDERS = {True: "month/day/year", False: "day/month/year"}
_NUMBERS = ("fee", "number", "whole")


@dataclass(frozen=True)
class ColumnForms:
    """The form of each date field, and the decimal sign of each field with numbers.

    `assumed` are the fields, with their headings, whose decimal sign is taken to be a point until a comma is seen.
    `by_part` are forms of date fields by sheet, by file of an archive or by the text of a column that is told, where
    these are written in two orders: each is then a file of its own. `parted_by` is the column that names them.
    """

    dates: dict[str, DateForm]
    decimals: dict[str, str]
    assumed: dict[str, str] = dataclasses.field(default_factory=dict)
    by_part: dict[str, dict[str, DateForm]] = dataclasses.field(default_factory=dict)
    parted_by: str = SHEET


def reading_of(
    source: Source,
    told: TableSource,
    practice: Practice,
    forms: ColumnForms,
    *,
    file: str,
    codes: pl.DataFrame,
    today: dt.date,
    caches: Caches | None = None,
) -> Reading:
    """How the texts of a file are understood, as PRACTICE.toml and the file tell; for the meaning see `Reading`."""
    return Reading(
        table=INPUT_TABLES[told.name],
        notation=source.spoken.notation or practice.tooth_notation,
        code_system=practice.code_system,
        codes=codes,
        today=today,
        values=told.values,
        dates=forms.dates,
        decimals=forms.decimals,
        renewed=told.codes_renewed,
        clinicians_renewed=told.clinicians_renewed,
        period=told.period_of(file),
        statuses=told.status_renewed,
        divisors=told.fees_before,
        caches={} if caches is None else caches,
    )


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

    Raises ConfigError if `date_format` has a year of two digits and no `two_digit_years_from` says which years these
    are; DataError if the values of a column do not settle its form.
    """
    pattern = source.spoken.date_format or told.date_format or practice.date_format
    parted_by = told.date_order_by or SHEET
    if told.date_order_by is not None and parted_by not in source.headings:
        raise DataError(
            f'{file}: has no column "{parted_by}", which [tables.{told.name}] date_order_by names. Correct the name in '
            "the TOML."
        )
    told = told.for_file(file)
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
    counts, proofs, parts = _read_once(source, undecided, {} if assumed else unproved, told, parted_by)
    by_part: dict[str, dict[str, DateForm]] = {}
    forms = {f: DateForm(pattern=pattern, years_from=years_from, serial=serial) for f in dates if pattern != "auto"}
    decide = functools.partial(decide_form, table=told.name, years_from=years_from, serial=serial)
    for name, counted in counts.items():
        column = f'{file}: column "{columns[name]}" ({name})'
        try:
            forms[name] = decide(gather_evidence(counted), column=column)
        except TwoOrdersError:
            if len(parts.get(name, ())) < 2:
                raise
            for part, of in sorted(parts[name].items()):
                of_part = f'{file}: {part}: column "{columns[name]}" ({name})'
                form = decide(gather_evidence(of), column=of_part)
                by_part.setdefault(part, {})[name] = _by_today(form, today) if name in YEARS_OF else form
                if form.month_first is not None:
                    say(f"{told.name}: {of_part} is read as {_ORDERS[form.month_first]}")
            forms[name] = DateForm(years_from=years_from, serial=serial)
        if forms[name].epoch:
            say(f"{told.name}: {column} is read as numbers that count time (since 1970), by the clock of Greenwich")
        if era := forms[name].era:
            say(f"{told.name}: {column} has years of {ERAS[era].said}")
        if (month_first := forms[name].month_first) is not None:
            say(f"{told.name}: {column} is read as {_ORDERS[month_first]}")
    forms |= {name: _by_today(forms[name], today) for name in YEARS_OF if name in forms}
    decimals = dict.fromkeys(numbers, told.decimal or ".")
    for name, proof in proofs.items():
        column = f'{file}: column "{columns[name]}" ({name})'
        decimals[name] = decide_decimal(proof, column=column, table=told.name)
        if decimals[name] == ",":
            say(f"{told.name}: {column} is read with a decimal comma")
        elif decimals[name] == EACH:
            say(
                f"{told.name}: {column}: {proof.comma:,} numbers are read with a decimal comma, {proof.point:,} with a "
                "decimal point: each can be read in one way only"
            )
    if told.late_stamps == "midnights":
        forms = {name: dataclasses.replace(form, zone=practice.time_zone) for name, form in forms.items()}
    return ColumnForms(dates=forms, decimals=decimals, assumed=assumed, by_part=by_part, parted_by=parted_by)


def proves_comma(rows: pl.DataFrame, field: str, heading: str, told: TableSource) -> bool:
    """Whether some number of a column can only have been written with a decimal comma."""
    is_text = rows.schema[heading] == pl.String and rows[heading].str.contains(",", literal=True).any()
    return bool(is_text) and gather_decimals(_counts(trimmed(heading), rows, field, told)).comma > 0


def _by_today(form: DateForm, today: dt.date) -> DateForm:
    return dataclasses.replace(form, born_by=today)


def _read_once(
    source: Source, dates: Mapping[str, str], numbers: Mapping[str, str], told: TableSource, part: str
) -> tuple[dict[str, pl.DataFrame], dict[str, DecimalEvidence], dict[str, dict[str, pl.DataFrame]]]:
    """Per date field its distinct texts with their row counts; per number field what its values prove; per date field
    the counts of each text of the column `part`, as of each sheet or file of an archive, where the file has it."""
    found: dict[str, list[pl.DataFrame]] = {field: [] for field in dates}
    proved: dict[str, DecimalEvidence] = {}
    parts: dict[str, dict[str, pl.DataFrame]] = {}
    wanted = sorted({*dates.values(), *numbers.values()})
    has_parts = bool(dates) and part in source.headings and not source.spoken.fields
    for batch in source.batches([*wanted, *([part] if has_parts and part not in wanted else [])]) if wanted else ():
        for field, heading in dates.items():
            if batch.rows.schema[heading] == pl.String:
                found[field].append(_date_counts(batch.rows, heading, field, told))
                names = part_names(batch.rows, part) if has_parts else pl.Series(dtype=pl.String)
                for name in names.unique():
                    counts = _date_counts(batch.rows.filter(names == name), heading, field, told)
                    before = parts.setdefault(field, {}).get(name)
                    parts[field][name] = counts if before is None else _summed([before, counts])
        for field, heading in numbers.items():
            if batch.rows.schema[heading] == pl.String:
                proof = gather_decimals(_counts(trimmed(heading), batch.rows, field, told))
                proved[field] = proved.get(field, DecimalEvidence(0, 0)) + proof
    return {f: _summed(pieces) for f, pieces in found.items() if pieces}, proved, parts


def part_names(rows: pl.DataFrame, heading: str) -> pl.Series:
    """Of which part of the file each row is, by the text of a column."""
    return rows.get_column(heading).cast(pl.String).str.strip_chars().fill_null("")


def _summed(pieces: Sequence[pl.DataFrame]) -> pl.DataFrame:
    return pl.concat(pieces).group_by("text").agg(pl.col("n").sum())


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
