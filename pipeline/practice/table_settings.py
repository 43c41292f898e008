"""What PRACTICE.toml says of the files of one table: where they lie, how they are laid out, how cells are meant."""

import datetime as dt
import re
from collections.abc import Collection
from dataclasses import MISSING, dataclass, replace
from pathlib import Path
from typing import Any, Self

from pipeline.machine.declared import Bounds, setting
from pipeline.machine.errors import ConfigError
from pipeline.practice.tables import STATUS_WORDS

SERIAL_DATES = ("1900", "1904")
EACH = "each"  # every number by its own sign
DECIMAL_SIGNS = (".", ",", EACH)
DITTO_ABOVE = "above"
MONTHS = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
# What can be told of one file alone, and in which words.
OF_FILE = {"serial_dates": SERIAL_DATES, "late_stamps": ("next_day", "as_written", "midnights", "universal")}
NOTATIONS_BY = ("universal", "fdi")
CENTURIES, CENTURY = Bounds(1880, 2000), "1950, which reads 50 as 1950"


def checked_date_format(pattern: str, place: str) -> str:
    """`auto`, or a strptime pattern that fixes a day."""
    if pattern == "auto":
        return pattern
    day = dt.datetime(2021, 11, 23, tzinfo=dt.UTC)
    try:
        read = dt.datetime.strptime(day.strftime(pattern), pattern)  # noqa: DTZ007
    except (ValueError, re.error):  # the library makes a pattern of its own of it, which may fail
        read = None
    if read is None or read.date() != day.date():
        raise ConfigError(
            f'{place} = "{pattern}" does not fix year, month and day. Write auto, or a pattern such as '
            '"%m/%d/%Y" (month first), "%d.%m.%Y" (day first) or "%Y-%m-%d".'
        )
    return pattern


def checked_encoding(name: str, place: str) -> str:
    """The name of an encoding that is known."""
    try:
        "".encode(name)
    except LookupError as error:
        raise ConfigError(f'{place} = "{name}" is not known. Common ones: utf-8, windows-1252, utf-16.') from error
    return name


def _delimiter(sign: str, place: str) -> str:
    if len(sign) != 1 or sign in ('"', "\n", "\r"):
        raise ConfigError(f"{place} must be one character that is neither a quotation mark nor a line end.")
    return sign


def _starts(places: Any, place: str) -> tuple[int, ...]:
    whole = isinstance(places, list) and all(type(n) is int and n >= 1 for n in places)
    if not whole or places != sorted(set(places)):
        raise ConfigError(f"{place} must list the places where fields begin, from 1, e.g. [1, 9, 20, 28].")
    if len(places) == 1:
        raise ConfigError(f"{place} names one place: a table has at least two columns.")
    return tuple(places)


def _jaw_and_side(headings: tuple[str, ...], place: str) -> tuple[str, ...]:
    if len(headings) > 2:
        raise ConfigError(f'{place} must be one heading, or those of jaw and side: ["Arch", "Side"].')
    return tuple(h.strip() for h in headings)


def _sets_of_columns(given: Any, place: str) -> tuple[tuple[str, ...], ...]:
    example = '[["Proc1", "Tooth1"], ["Proc2", "Tooth2"]]'
    texts = isinstance(given, list) and all(
        isinstance(one, list) and one and all(isinstance(h, str) and h for h in one) for one in given
    )
    if not texts or len(given) == 1 or len({len(one) for one in given}) > 1:
        raise ConfigError(f"{place} must list two sets of columns or more, e.g. {example}.")
    every = [h.strip() for one in given for h in one]
    if twice := [h for h in every if every.count(h) > 1]:
        raise ConfigError(f'{place} names "{twice[0]}" twice.')
    return tuple(tuple(h.strip() for h in one) for one in given)


# Keys of a table that make the tooth of other columns: kind, and what each is given.
MADE_KEYS: dict[str, tuple[Any, str]] = {
    "tooth_range": (tuple[str, ...], "Headings of the first and the last tooth."),
    "tooth_list": (tuple[str, ...], "Headings of columns that hold a tooth each."),
    "tooth_flags": (str, "Headings of a column for each tooth: `T{tooth}`."),
    "tooth_in_text": (str, "Heading of a text that names the tooth."),
}


def period(told: str) -> tuple[dt.date | None, dt.date | None]:
    """The first and the last day of `2015-01-01..2017-12-31`, of which either may be left out.

    Raises ValueError if it is written otherwise.
    """
    first, dots, last = told.partition("..")
    if not dots or not (first or last):
        raise ValueError(told)
    start, end = (dt.date.fromisoformat(day.strip()) if day.strip() else None for day in (first, last))
    if start and end and end < start:
        raise ValueError(told)
    return start, end


def _periods(given: dict[str, str], place: str) -> dict[str, str]:
    for file, told in given.items():
        try:
            period(told)
        except ValueError as error:
            raise ConfigError(
                f'{place}."{file}": "{told}" is no period. Write its first and its last day, or one of them: '
                '"2015-01-01..2017-12-31", "..2017-12-31", "2018-01-01..".'
            ) from error
    return given


def _of_files(given: dict[str, dict[str, str]], place: str) -> dict[str, dict[str, str]]:
    for file, told in given.items():
        for key, word in told.items():
            if key not in OF_FILE or word not in OF_FILE[key]:
                known = "; ".join(f"{name} ({', '.join(words)})" for name, words in OF_FILE.items())
                raise ConfigError(f'{place}."{file}": of one file can be told: {known}.')
    return given


def _day(day: str, place: str) -> None:
    try:
        dt.date.fromisoformat(day)
    except ValueError as error:
        raise ConfigError(f'{place}: "{day}" is no day. Write the first day of the new meaning as "2017-01-01".') from (
            error
        )


def _days_of_codes(given: dict[str, dict[str, str]], place: str) -> dict[str, dict[str, str]]:
    for code, by_day in given.items():
        for day in by_day:
            _day(day, f'{place}."{code}"')
    return given


def _divisors(given: dict[str, str], place: str) -> dict[str, str]:
    for day, number in given.items():
        _day(day, place)
        if not re.fullmatch(r"\d{1,6}(?:\.\d{1,8})?", number) or not float(number):
            raise ConfigError(f'{place}: "{number}" is no number above 0. Write it as "7.5345".')
    return given


@dataclass(frozen=True)
class Made:
    """A field that is made of columns: `how` is a word of `made_columns`."""

    field: str
    how: str
    headings: tuple[str, ...]


@dataclass(frozen=True)
class Join:
    """A list whose columns stand on the rows of a ledger: `on` is the column of the ledger that names a row of it,
    `key` the column of the list in which that name stands, `sheet` its sheet or table where the file has several."""

    file: str
    on: str
    key: str
    sheet: str = ""


@dataclass(frozen=True)
class TableSource:
    """Where one input table comes from. What is not written is found out from the file, or asked."""

    name: str
    files: tuple[str, ...] = setting(MISSING, "Files or patterns of files, relative to the folder of the TOML.")
    columns: dict[str, str] = setting(dict, "Our field to the heading in the file.")
    values: dict[str, dict[str, str]] = setting(dict, "Per field, words of the file to ours.")
    date_format: str | None = setting(None, "auto, or a strptime pattern.", check=checked_date_format)
    date_order_by: str | None = setting(
        None, "Heading of the column by whose texts dates have an order of their own: offices, say."
    )
    delimiter: str | None = setting(None, "What parts the cells of a line.", check=_delimiter)
    encoding: str | None = setting(None, "How letters are stored.", check=checked_encoding)
    corrected: tuple[str, ...] = setting(
        (), "Files of rows that were set aside and have been mended.", example="corrected/*.csv"
    )
    header_row: int | None = setting(
        None, "The line of the headings, from 1; 0 where there are none: columns are then `column 1` and so on."
    )
    sheets: tuple[str, ...] = setting((), "Sheets of a workbook.", example="Ledger")
    two_digit_years_from: int | None = setting(
        None, "As under [practice], of this table.", bounds=CENTURIES, example=CENTURY
    )
    serial_dates: str | None = setting(None, "As under [practice], of this table.", words=SERIAL_DATES)
    decimal: str | None = setting(None, "The decimal sign of numbers, or of each its own.", words=DECIMAL_SIGNS)
    fill_down: tuple[str, ...] = setting(
        (), "Fields that stand on the first row of a group only, the outermost first.", example="patient_id"
    )
    group_lines: tuple[str, ...] = setting(
        (), "Lines above the rows that say a field.", example="Patient: {patient_id} {*}"
    )
    loose_columns: tuple[str, ...] = setting(
        (), "Headings of columns that hold the delimiter without quotation marks.", example="Patient name"
    )
    fixed_width: tuple[int, ...] = setting(
        (), "The places, from 1, at which the fields of a line begin.", check=_starts
    )
    stacked_tables: bool = setting(False, "Several tables stand one below the other, each with its headings.")
    repeated_columns: tuple[tuple[str, ...], ...] = setting(
        (), "Headings of sets of columns, each a row of its own.", check=_sets_of_columns
    )
    cell_lists: tuple[str, ...] = setting(
        (), "Headings of cells with several parts that go together, the codes first.", example="Codes"
    )
    transposed: bool = setting(False, "The table stands on its side: each column is a record.")
    record_lines: bool = setting(False, "A record is several lines, a name and a value on each.")
    sheet_name: str | None = setting(None, 'What the name of a sheet says of its rows: "{patient_id}".')
    file_name: str | None = setting(None, 'What the name of a file says of its rows: "chart-{patient_id}".')
    clinic: str | None = setting(None, "Heading of the clinic that a patient's number is of.")
    clinic_letters: str | None = setting(
        None, "Heading of numbers of entries whose first letters name the clinic that a patient's number is of."
    )
    dependant: tuple[str, ...] = setting(
        (), "Heading of the member's number in a family, or several that tell people apart.", example="Member"
    )
    quadrant: tuple[str, ...] = setting(
        (), "Heading of the quadrant of a tooth, 1 to 8, or those of jaw and side.", example="Quad", check=_jaw_and_side
    )
    credit: str | None = setting(None, "Heading of what was credited.")
    merged_into: str | None = setting(
        None, "Heading of the number that stands for a patient's own now, where it was given up."
    )
    renamed: dict[str, str] = setting(dict, "Headings of older or other files to those of `columns`.")
    status_from: dict[str, dict[str, str]] = setting(
        dict, "What flags or words in a text make of a row: heading to pattern to a status.", words=STATUS_WORDS
    )
    tooth_notation_by: dict[str, dict[str, str]] = setting(
        dict,
        "Notations of teeth by the text of a column or, under `(file)`, by the name of the file.",
        words=NOTATIONS_BY,
    )
    codes_renewed: dict[str, dict[str, str]] = setting(
        dict,
        "Codes that mean other work from a day on: code to that day to the name under which the list has the new one.",
        check=_days_of_codes,
    )
    code_from: dict[str, dict[str, str]] = setting(
        dict,
        "What a text beside a code makes of it: heading to pattern to an event, or to a code of the list, in which * "
        "stands for the code of the row.",
    )
    clinicians_renewed: dict[str, dict[str, str]] = setting(
        dict,
        "Initials or numbers of clinicians that were given out again: to the first day of the new one, to a name for "
        "that one.",
        check=_days_of_codes,
    )
    period_of_file: dict[str, str] = setting(
        dict, "Days of which a file counts where another one holds the rest: `2015-01-01..2017-12-31`.", check=_periods
    )
    may_lack: tuple[str, ...] = setting(
        (), "Headings of named columns that some files do not have: those fields are empty there.", example="Status"
    )
    of_file: dict[str, dict[str, str]] = setting(
        dict,
        "Of one file, what is told of its days otherwise than of the table: `serial_dates`, `late_stamps`.",
        check=_of_files,
    )
    status_renewed: dict[str, dict[str, str]] = setting(
        dict,
        "Texts of the status that mean another thing from a day on: text to that day to a status.",
        check=_days_of_codes,
        words=STATUS_WORDS[:-1],
    )
    fees_before: dict[str, str] = setting(
        dict,
        "Days before which fees are in another currency, each with the number by which they are divided.",
        check=_divisors,
    )
    fee_times: str | None = setting(None, "Heading of the count by which the fee of one piece is multiplied.")
    swapped_dates: str | None = setting(None, "Dates written the other way round.", words=("mend", "as_written"))
    late_stamps: str | None = setting(None, "Stamps late in the evening.", words=OF_FILE["late_stamps"])
    ditto_marks: str | None = setting(None, "Marks for the same as above.", words=(DITTO_ABOVE, "empty"))
    tooth_letter: str | None = setting(None, "A letter behind a tooth.", words=("surface", "tooth", "primary"))
    teeth_as_dates: str | None = setting(
        None, "Teeth that a spreadsheet turned into dates.", words=("month_is_quadrant", "day_is_quadrant")
    )
    teeth_count_from: str | None = setting(None, "The first tooth of a quadrant.", words=("zero", "one"))
    year_begins: str | None = setting(
        None, "The month in which the years of made dates begin, named after their end.", words=MONTHS
    )
    fee_unit: str | None = setting(None, "What fees are counted in.", words=("cent", "whole"))
    months_count_from: str | None = setting(None, "The number of the first month.", words=("zero", "one"))
    teeth_as_decimals: bool = setting(False, "Teeth are written as decimals: 1.6.")
    joined: tuple[Join, ...] = ()  # lists whose columns stand on the rows; `sources.joined` reads the key
    made: tuple[Made, ...] = ()  # fields made of columns: dates told as three headings, and the keys of `made_columns`

    def columns_in(self, headings: Collection[str]) -> dict[str, str]:
        """The columns that are read of a file with these headings: all that are named, but for those it may lack."""
        return {f: h for f, h in self.columns.items() if h in headings or h not in self.may_lack}

    def for_file(self, file: str) -> Self:
        """With what is told of one file alone, given with or without its folder."""
        told: dict[str, Any] = self.of_file.get(file) or self.of_file.get(Path(file).name) or {}
        return replace(self, **told)

    def period_of(self, file: str) -> tuple[dt.date | None, dt.date | None]:
        """The first and the last day that count of a file, given with or without its folder."""
        told = self.period_of_file.get(file) or self.period_of_file.get(Path(file).name)
        return period(told) if told else (None, None)
