"""What PRACTICE.toml answers about the cells of a file, put to work: the cells of a batch to the fields of its rows.

The rows themselves stay as they were written, so that one that is set aside is shown and mended as it stands.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.fields import kind
from pipeline.practice.settings import Settings
from pipeline.practice.tables import REVERSAL
from pipeline.reading.doubts.cells import text_of
from pipeline.reading.doubts.code_meanings import code_of
from pipeline.reading.doubts.fee_units import counts_coins, times
from pipeline.reading.doubts.marked_cells import (
    CENTURY,
    ENDING,
    LETTERS_BEFORE,
    NUMBER_IN_TEXT,
    SIGNS_WITHIN,
    unsigned,
    without_marks,
)
from pipeline.reading.doubts.standing import matches, status_of
from pipeline.reading.doubts.tooth_places import as_written, quadrant_digit, quadrant_text, tooth_of_date
from pipeline.reading.doubts.two_notations import FILE, rewritten
from pipeline.reading.sources.by_amounts import SIGN, TAKEN_BACK
from pipeline.reading.sources.row_looks import LOOKS
from pipeline.reading.sources.sections import SECTION
from pipeline.reading.sources.source import refuse_absent
from pipeline.reading.sources.standing_names import fits
from pipeline.transforms.instants import as_local
from pipeline.transforms.other_days import epoch_as_stamp

PER_CLINIC, PER_FILE = "per clinic", "per file"
# By `patient_ids`, the part of a patient's number that says nothing: a sign to check it; the name beside it; the
# century of a number made of the day of birth.
SHORTER = {
    "without_ending": (ENDING, ""),
    "number_in_text": (NUMBER_IN_TEXT, "${1}"),
    "without_century": (CENTURY, "${1}"),
    "without_signs": (SIGNS_WITHIN, "${1}${2}"),
}
FOLDED, NUMBERS, MEND, NEXT_DAY, SURFACE = "folded", "numbers", "mend", "next_day", "surface"
ZERO, ONE = "zero", "one"
_PRIMARY = "ABCDEFGHIJKLMNOPQRST"
# Between the parts of a number that stands in two columns.
_BETWEEN = "-"
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_YEAR_MONTH_DAY = r"^(\d{4}-)(\d{2})(-\d{2}.*)$"
_ISO_DAY = r"^(\d{4})-(\d{2})-(\d{2})"
_BARE_STAMP = r"^\s*(\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?)\s*$"
_BARE_DAY = r"^\s*(\d{4}-\d{2}-\d{2})(?:[T ]00:00(?::00)?)?\s*$"
_LATE = r"^(\d{4}-\d{2}-\d{2})[T ](?:1[2-9]|2[0-3]):"


@dataclass(frozen=True)
class Answers:
    """How the cells of one file become fields; `columns` maps fields to headings. What is None or False is not told."""

    table: str
    columns: Mapping[str, str]
    notation: str
    folded: bool = False
    numbers: bool = False  # of a patient's number, letters before it say nothing
    shorter: str | None = None  # of a patient's number, what else says nothing: see `SHORTER`
    clinic: str | None = None
    clinic_is_letters: bool = False  # those before the numbers of that column
    of_file: str | None = None  # what stands before the number where each file has numbers of its own
    dependant: tuple[str, ...] = ()
    quadrant: tuple[str, ...] = ()  # one column, or jaw and side
    dates: str | None = None  # how teeth that became dates are read
    decimals: bool = False
    letters: bool = False
    primary: bool = False  # `1d` to `20d` are primary teeth
    from_zero: bool = False  # universal numbers that a database counts from 0
    credit: str | None = None
    times: str | None = None  # the count by which the fee of one piece is multiplied
    swapped: bool = False
    year_begins: int | None = None  # the month from which on a year of accounts is that of the next year
    in_cents: bool = False
    fee_called: str | None = None  # what the file itself calls its fees
    months_from_zero: bool = False
    next_day: bool = False
    universal: bool = False  # stamps that name no zone are told in the time of Greenwich
    midnights: bool = False  # days without a time are midnights of the zone, told in the time of Greenwich
    zone: str | None = None  # the time zone of the practice, where instants are told
    merged: Mapping[str, str] = field(default_factory=dict)  # numbers given up, each with the one that stands for it
    # Teeth of another notation: heading, pattern, and the notation; under `(file)` it is that of all rows.
    notations: tuple[tuple[str, str, str], ...] = ()
    codes: tuple[tuple[str, str, str], ...] = ()  # heading, pattern, and the code that it makes of a row
    marks: tuple[tuple[str, str, str], ...] = ()  # heading, pattern, and what it makes of a row: see `standing.py`

    def fields(self, rows: pl.DataFrame) -> pl.DataFrame:
        """The mapped fields of some rows, a column each; by column, for a heading may look like a pattern."""
        found = {name: rows.get_column(heading) for name, heading in self.columns.items()}
        frame = self._in_one_notation(pl.DataFrame(found), rows)
        if not self._changes:
            return frame
        beside = {
            f"{name}:": text_of(rows, heading)
            for name, heading in (
                ("clinic", self.clinic),
                *((f"dependant{n}", heading) for n, heading in enumerate(self.dependant)),
                ("credit", self.credit),
                ("times", self.times),
            )
            if heading is not None
        }
        if self.quadrant:
            beside["quadrant:"] = quadrant_text(rows, self.quadrant)
        told = {h for h, _, _ in (*self.marks, *self.codes)}
        beside |= {_mark(heading): rows.get_column(heading).cast(pl.String) for heading in told}
        frame = frame.with_columns(self._unmarked)
        changed = frame.hstack([column.alias(name) for name, column in beside.items()]).with_columns(self._changes)
        return changed.select(*frame.columns, *(["status"] if self.marks and "status" not in frame.columns else []))

    def _in_one_notation(self, frame: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
        """The fields with teeth that are told to be of another notation as they are in the practice's own."""
        for heading, pattern, written in self.notations if "tooth" in frame.columns else ():
            if written == self.notation:
                continue
            own = frame["tooth"].cast(pl.String)
            other = rewritten(own, written=written, notation=self.notation)
            if heading == FILE:
                frame = frame.with_columns(other.alias("tooth"))
                continue
            by = rows.get_column(heading).cast(pl.String).to_frame("by").select(matches(pl.col("by"), pattern))
            is_other = by.to_series().fill_null(False)
            frame = frame.with_columns(other.zip_with(is_other, own).alias("tooth"))
        return frame

    def patient_headings(self) -> list[str]:
        """The columns that name the patient."""
        return [h for h in (self.columns["patient_id"], *self.dependant, self.clinic) if h is not None]

    def ids(self, rows: pl.DataFrame) -> pl.Series:
        """The patients of some rows that hold at least `patient_headings`."""
        alone = Answers(
            self.table,
            {"patient_id": self.columns["patient_id"]},
            self.notation,
            folded=self.folded,
            numbers=self.numbers,
            shorter=self.shorter,
            clinic=self.clinic,
            clinic_is_letters=self.clinic_is_letters,
            of_file=self.of_file,
            dependant=self.dependant,
            merged=self.merged,
            marks=tuple(mark for mark in self.marks if mark[0] == self.columns["patient_id"]),
        )
        return alone.fields(rows)["patient_id"].cast(pl.String)

    def unmerged_ids(self, rows: pl.DataFrame) -> pl.Series:
        """The patients as `ids`, those too whose number was given up for another one."""
        return replace(self, merged={}).ids(rows)

    @cached_property
    def _changes(self) -> list[pl.Expr]:
        changes = []
        if self.folded or self.clinic or self.dependant or self.of_file or self.merged:
            own = self._patient()
            changes.append(own.replace(dict(self.merged)).alias("patient_id"))
            if self.merged and self.table == "patients":  # what stands beside a number given up is no one's now
                is_old = own.is_in(list(self.merged)).fill_null(False)
                changes += [pl.when(~is_old).then(pl.col(f)).alias(f) for f in self.columns if f != "patient_id"]
        is_rewritten = self.quadrant or self.decimals or self.letters or self.dates or self.from_zero or self.primary
        if "tooth" in self.columns and is_rewritten:
            changes.append(self._tooth().alias("tooth"))
        if "fee" in self.columns and (self.credit or self._reversals or self.in_cents or self.times):
            changes.append(self._fee().alias("fee"))
        if self.codes and "code" in self.columns:
            changes.append(code_of([(_mark(h), p, code) for h, p, code in self.codes]).alias("code"))
        if self.marks:
            own = pl.col("status").cast(pl.String) if "status" in self.columns else pl.lit(None, pl.String)
            changes.append(self._status(own).alias("status"))
        if self.swapped or self.next_day or self.zone or self.year_begins or self.months_from_zero:
            changes += [self._day(f).alias(f) for f in self.columns if kind(self.table, f) == "date"]
        return changes

    @property
    def _unmarked(self) -> list[pl.Expr]:
        """Values without the marks behind or before them that are told."""
        found = []
        for name in ("patient_id", "code", "tooth", "fee"):
            told = [p for h, p, word in self.marks if h == self.columns.get(name) and word != REVERSAL]
            if told:
                found.append(without_marks(pl.col(name).cast(pl.String), told).alias(name))
        return found

    def _patient(self) -> pl.Expr:
        text = pl.col("patient_id").cast(pl.String).str.strip_chars().replace("", None)
        text = folded(text) if self.folded else text
        text = text.str.replace(LETTERS_BEFORE, "") if self.numbers else text
        text = text.str.replace(*SHORTER[self.shorter]) if self.shorter else text
        for n in range(len(self.dependant)):
            number = folded(pl.col(f"dependant{n}:"))
            text = pl.when(number != "").then(pl.concat_str(text, number, separator=_BETWEEN)).otherwise(text)
        if self.clinic:
            clinic = pl.col("clinic:").str.to_uppercase()
            clinic = clinic.str.extract(r"^(\p{L}+)") if self.clinic_is_letters else clinic
            text = pl.concat_str(clinic.fill_null(""), text, separator=_BETWEEN)
        if self.of_file:
            text = pl.concat_str(pl.lit(self.of_file), text, separator=_BETWEEN)
        return text

    def _tooth(self) -> pl.Expr:
        text = pl.col("tooth").cast(pl.String).str.strip_chars()
        if self.letters:
            text = text.str.replace(r"^(#?\d{1,2})[\s,/-]*[A-Za-z]$|^([A-Ta-t])\s*[,/-]\s*[A-Za-z]$", "${1}${2}")
        if self.primary:
            number = text.str.extract(r"(?i)^#?0?(\d|1\d|20)d$").cast(pl.Int16)
            text = pl.coalesce(number.replace_strict(dict(enumerate(_PRIMARY, 1)), default=None), text)
        if self.from_zero:
            number = text.str.extract(r"^0?(\d|[12]\d|3[01])(?:\.0+)?$").cast(pl.Int16) + 1
            text = pl.coalesce(number.cast(pl.String), text)
        if self.decimals:
            text = text.str.replace(r"^([1-8])[.,/-]([1-8])$", "${1}${2}")
        if self.dates:
            text = pl.coalesce(as_written(tooth_of_date(text, self.dates), self.notation), text)
        if self.quadrant:
            digit = text.str.extract(r"^0?([1-8])(?:\.0+)?$")
            text = pl.coalesce(as_written(quadrant_digit(pl.col("quadrant:")) + digit, self.notation), text)
        return text

    def _status(self, own: pl.Expr) -> pl.Expr:
        """What marks make of a row. Its own status says more than the plan that it stands in, but what was deleted had
        one before."""
        marks = [(_mark(h), p, w) for h, p, w in self.marks]
        weak = [m for m in marks if m[0] == _mark(SECTION) and m[2] not in ("void", REVERSAL)]
        text = own.str.strip_chars().replace("", None)
        return status_of([m for m in marks if m not in weak], pl.coalesce(text, status_of(weak, text)))

    @property
    def _reversals(self) -> list[pl.Expr]:
        return [matches(pl.col(_mark(h)), p) for h, p, word in self.marks if word == REVERSAL]

    def _fee(self) -> pl.Expr:
        """The fee; below 0 where the amount stands in the column of credits, or the row takes another one back."""
        fee = pl.col("fee").cast(pl.String)
        if self.in_cents:
            coins = fee.str.strip_chars().str.extract(r"^([-+]?\d{1,15})(?:\.0+)?$").cast(pl.Int64, strict=False)
            fee = pl.coalesce((coins / 100).cast(pl.String), fee)
        if self.times:
            fee = times(fee, pl.col("times:"))
        if self.credit:
            credit = pl.col("credit:")
            fee = pl.when(is_amount(credit) & ~is_amount(fee)).then(_below_zero(credit)).otherwise(fee)
        if self._reversals:
            back = pl.any_horizontal(self._reversals)
            fee = pl.when(back & is_amount(fee)).then(_below_zero(fee)).otherwise(fee)
        return fee

    def _day(self, name: str) -> pl.Expr:
        text = pl.col(name).cast(pl.String)
        if self.months_from_zero:
            month = text.str.extract(_YEAR_MONTH_DAY, 2).cast(pl.Int32, strict=False) + 1
            both = pl.concat_str(
                text.str.extract(_YEAR_MONTH_DAY, 1),
                month.cast(pl.String).str.zfill(2),
                text.str.extract(_YEAR_MONTH_DAY, 3),
            )
            text = pl.coalesce(both, text)
        if self.swapped:
            fits = text.str.extract(_ISO_DAY, 3).cast(pl.Int32, strict=False) <= 12
            text = pl.when(fits).then(text.str.replace(_ISO_DAY, "${1}-${3}-${2}")).otherwise(text)
        if self.next_day:
            stamp = epoch_as_stamp(text.str.strip_chars())
            late = stamp.str.extract(_LATE, 1).str.to_date("%Y-%m-%d", strict=False)
            text = pl.coalesce(late.dt.offset_by("1d").cast(pl.String), text)
        if self.year_begins and name == "service_date":
            text = calendar_years(text, self.year_begins)
        if self.universal:
            text = text.str.replace(_BARE_STAMP, "${1}Z")
        if self.midnights:  # the last minute of a day of Greenwich is of the day that began last at the practice
            text = text.str.replace(_BARE_DAY, "${1}T23:59:00Z")
        return as_local(text, self.zone) if self.zone else text


def answers_for(
    settings: Settings,
    table: str,
    columns: Mapping[str, str],
    headings: Sequence[str],
    *,
    file: str,
    of: str,
    ours: bool = False,
    merged: Mapping[str, str] | None = None,
    called: Mapping[str, str] | None = None,
) -> Answers:
    """What is told about one file; with `ours` it is one whose cells need no answer, such as our own worksheet.

    Where each file numbers its own patients, they are those of the file `of`. `called` is what it calls a column that
    is renamed.

    Raises
    ------
    DataError
        If a column that PRACTICE.toml names for it is not in the file.
    """
    practice, told = settings.practice, settings.tables[table].for_file(of)
    is_midnights, is_universal = (told.late_stamps == word for word in ("midnights", "universal"))
    zone = practice.time_zone if is_midnights or is_universal or not told.late_stamps else None
    if (is_midnights or is_universal) and zone is None:
        raise DataError(
            f'{file}: [tables.{table}] late_stamps = "{told.late_stamps}" needs time_zone under [practice], such as '
            '"Europe/Dublin", the practice\'s own.'
        )
    if ours:
        return Answers(table, columns, practice.tooth_notation, zone=zone)
    clinic = None
    if practice.numbering == PER_CLINIC:
        ledger = settings.tables["procedures"]
        usual = (columns.get("site_id"), ledger.clinic, ledger.columns.get("site_id"), "site_id")
        clinic = told.clinic_letters or told.clinic or next((h for h in usual if h in headings), None)
        if clinic is None:
            raise DataError(
                f"{file}: patients are numbered per clinic, and no column says which clinic a row is of. Write clinic "
                f'= "..." with its heading under [tables.{table}], or, if each file is of one clinic, under [practice] '
                'numbering = "per file".'
            )
    # Of several files one may name whole teeth. One that has places alone is asked about again.
    has_none = set(told.quadrant).isdisjoint(headings) and (len(told.files) > 1 or "*" in told.files[0])
    quadrant = () if has_none else told.quadrant
    for key, told_of in (
        ("clinic", [clinic]),
        ("dependant", told.dependant),
        ("quadrant", quadrant),
        ("credit", [told.credit]),
        ("fee_times", [told.fee_times]),
        ("merged_into", [told.merged_into]),
        ("tooth_notation_by", [h for h in told.tooth_notation_by if h != FILE]),
        ("status_from", [h for h in told.status_from if h not in LOOKS]),
        ("code_from", [h for h in told.code_from if h not in LOOKS]),
    ):
        refuse_absent(told_of, headings, f"[tables.{table}] {key}", file=file)
    # What a row says goes before what its section does; no row has a look where there is no such column.
    by_row = sorted(told.status_from.items(), key=lambda one: one[0] == SECTION)
    marks = tuple((heading, *mark) for heading, made in by_row if heading in headings for mark in made.items())
    if TAKEN_BACK in headings:
        marks = ((TAKEN_BACK, SIGN, "void"), *marks)
    notations = tuple((heading, *mark) for heading, of in told.tooth_notation_by.items() for mark in of.items())
    if any(word == REVERSAL for _, _, word in marks) and "fee" not in columns:
        raise DataError(
            f"{file}: a {REVERSAL} takes back the row of the same work and fee, and no column of fees is read. Name it "
            f"as columns.fee under [tables.{table}]."
        )
    return Answers(
        table=table,
        columns=columns,
        notation=practice.tooth_notation,
        folded=practice.patient_ids in (FOLDED, NUMBERS, *SHORTER),
        numbers=practice.patient_ids == NUMBERS,
        shorter=practice.patient_ids if practice.patient_ids in SHORTER else None,
        clinic=clinic,
        clinic_is_letters=told.clinic_letters is not None and clinic == told.clinic_letters,
        of_file=Path(of).stem if practice.numbering == PER_FILE else None,
        dependant=told.dependant,
        quadrant=quadrant,
        decimals=bool(told.teeth_as_decimals),
        letters=told.tooth_letter == SURFACE,
        primary=told.tooth_letter == "primary",
        from_zero=told.teeth_count_from == ZERO,
        dates=told.teeth_as_dates,
        credit=told.credit,
        times=told.fee_times,
        swapped=told.swapped_dates == MEND,
        year_begins=_month(told.year_begins),
        in_cents=told.fee_unit == "cent" and counts_coins(columns.get("fee"), told.renamed, called or {}),
        fee_called=(called or {}).get(columns.get("fee", ""), columns.get("fee")),
        months_from_zero=told.months_count_from == ZERO,
        next_day=told.late_stamps == NEXT_DAY,
        midnights=is_midnights,
        universal=is_universal,
        zone=zone,
        merged=merged or {},
        notations=tuple(one for one in notations if one[0] != FILE or fits(Path(file).name, one[1])),
        codes=tuple((heading, *one) for heading, made in told.code_from.items() for one in made.items()),
        marks=marks,
    )


def _month(name: str | None) -> int | None:
    return _MONTHS.index(name[:3]) + 1 if name else None


def calendar_years(text: pl.Expr, begins: int) -> pl.Expr:
    """Made dates of years of accounts, each named after the year in which it ends, in the years of the calendar."""
    number = text.str.extract(r"^\d{4}-(\d{2})-\d{2}$").cast(pl.Int32, strict=False)
    word = text.str.extract(r"^\d{1,2} (\p{L}{3})\p{L}*\.? \d{4}$").str.to_lowercase()
    names = {name: n for n, name in enumerate(_MONTHS, 1)}
    month = pl.coalesce(number, word.replace_strict(names, default=None, return_dtype=pl.Int32))
    year = text.str.extract(r"(\d{4})").cast(pl.Int32, strict=False)
    before = text.str.replace(r"\d{4}", (year - 1).cast(pl.String))
    return pl.when((month >= begins) & (begins > 1)).then(before).otherwise(text)


def _mark(heading: str) -> str:
    return f"mark:{heading}"


def folded(text: pl.Expr) -> pl.Expr:
    """A patient's number without what a spreadsheet or a hand may change: leading zeros, `.0`, case, blanks, signs
    before or behind it."""
    bare = (
        unsigned(text.str.strip_chars())
        .str.replace_all(r"\s+", "")
        .str.to_uppercase()
        .str.replace(r"^(\d+)\.0+$", "${1}")
    )
    return bare.str.replace(r"^0+(.)", "${1}")


def is_amount(text: pl.Expr) -> pl.Expr:
    """Whether a cell holds a number other than 0."""
    return (text.str.contains(r"[1-9]") & ~text.str.contains(r"\p{L}{4,}")).fill_null(False)


def is_below_zero(text: pl.Expr) -> pl.Expr:
    """Whether a cell holds an amount below zero."""
    return (is_amount(text) & text.str.contains(r"^[\s$€£]*[-−–(<]|[-−]\s*$|(?i:cr\.?\s*$)")).fill_null(False)


def _below_zero(amount: pl.Expr) -> pl.Expr:
    return pl.concat_str(pl.lit("-"), amount.str.replace_all(r"^[\s(+−-]+|[\s)−-]+$", ""))
