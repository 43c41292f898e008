"""What PRACTICE.toml answers about the cells of a file, put to work: the cells of a batch to the fields of its rows.
The rows themselves stay as they were written, so that one that is set aside is shown and mended as it stands."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.fields import kind
from pipeline.practice.settings import Settings
from pipeline.practice.table_settings import TableSource
from pipeline.practice.tables import REVERSAL
from pipeline.reading.doubts.cells import text_of
from pipeline.reading.doubts.codes import code_of
from pipeline.reading.doubts.fees import counts_coins, times
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
from pipeline.reading.doubts.tooth_numbers import (
    FILE,
    as_written,
    quadrant_digit,
    quadrant_text,
    rewritten,
    tooth_of_date,
)
from pipeline.reading.sources.by_amounts import SIGN, TAKEN_BACK
from pipeline.reading.sources.row_looks import LOOKS
from pipeline.reading.sources.sections import SECTION
from pipeline.reading.sources.source import refuse_absent
from pipeline.reading.sources.standing_names import fits
from pipeline.transforms.other_days import as_local, epoch_as_stamp

PER_CLINIC, PER_FILE = "per clinic", "per file"
# By `patient_ids`, the part of a patient's number that says nothing: a sign to check it; the name beside it; the
# century of a number made of the day of birth; letters before it.
SHORTER = {
    "without_ending": (ENDING, ""),
    "number_in_text": (NUMBER_IN_TEXT, "${1}"),
    "without_century": (CENTURY, "${1}"),
    "without_signs": (SIGNS_WITHIN, "${1}${2}"),
    "numbers": (LETTERS_BEFORE, ""),
}
_LOOSE = ("folded", *SHORTER)
MEND, NEXT_DAY, SURFACE, PRIMARY, ZERO = "mend", "next_day", "surface", "primary", "zero"
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
    told: TableSource = field(default_factory=lambda: TableSource("", ()))
    patient_ids: str | None = None  # what of a patient's number says nothing: see `SHORTER`
    clinic: str | None = None
    of_file: str | None = None  # what stands before the number where each file has numbers of its own
    in_cents: bool = False
    fee_called: str | None = None  # what the file itself calls its fees
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
        named = {"clinic:": self.clinic} | {f"dependant{n}:": h for n, h in enumerate(self.told.dependant)}
        if "fee" in self.columns:
            named |= {"credit:": self.told.credit, "times:": self.told.fee_times}
        beside = {name: text_of(rows, heading) for name, heading in named.items() if heading is not None}
        if self.told.quadrant and "tooth" in self.columns:
            beside["quadrant:"] = quadrant_text(rows, self.told.quadrant)
        marked = {h for h, _, _ in (*self.marks, *self.codes)}
        beside |= {_mark(heading): rows.get_column(heading).cast(pl.String) for heading in marked}
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

    @property
    def beside(self) -> list[str]:
        """The headings that are told beside those of fields, but for those of `marks` and `codes`."""
        told = (*self.told.dependant, *self.told.quadrant, self.told.credit, self.clinic, self.told.fee_times)
        return [heading for heading in told if heading is not None]

    def patient_headings(self) -> list[str]:
        """The columns that name the patient."""
        return [h for h in (self.columns["patient_id"], *self.told.dependant, self.clinic) if h is not None]

    def ids(self, rows: pl.DataFrame) -> pl.Series:
        """The patients of some rows that hold at least `patient_headings`."""
        own = self.columns["patient_id"]
        marks = tuple(mark for mark in self.marks if mark[0] == own)
        alone = replace(self, columns={"patient_id": own}, marks=marks, codes=())
        return alone.fields(rows)["patient_id"].cast(pl.String)

    def unmerged_ids(self, rows: pl.DataFrame) -> pl.Series:
        """The patients as `ids`, those too whose number was given up for another one."""
        return replace(self, merged={}).ids(rows)

    @cached_property
    def _changes(self) -> list[pl.Expr]:
        changes = []
        if self.patient_ids in _LOOSE or self.clinic or self.told.dependant or self.of_file or self.merged:
            own = self._patient()
            changes.append(own.replace(dict(self.merged)).alias("patient_id"))
            if self.merged and self.table == "patients":  # what stands beside a number given up is no one's now
                is_old = own.is_in(list(self.merged)).fill_null(False)
                changes += [pl.when(~is_old).then(pl.col(f)).alias(f) for f in self.columns if f != "patient_id"]
        told = self.told
        is_rewritten = told.quadrant or told.teeth_as_decimals or told.teeth_as_dates or told.teeth_count_from == ZERO
        if "tooth" in self.columns and (is_rewritten or told.tooth_letter in (SURFACE, PRIMARY)):
            changes.append(self._tooth().alias("tooth"))
        if "fee" in self.columns and (told.credit or self._reversals or self.in_cents or told.fee_times):
            changes.append(self._fee().alias("fee"))
        if self.codes and "code" in self.columns:
            changes.append(code_of([(_mark(h), p, code) for h, p, code in self.codes]).alias("code"))
        if self.marks:
            own = pl.col("status").cast(pl.String) if "status" in self.columns else pl.lit(None, pl.String)
            changes.append(self._status(own).alias("status"))
        if (
            self.zone
            or told.year_begins
            or told.swapped_dates == MEND
            or told.late_stamps == NEXT_DAY
            or self._from_zero
        ):
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
        text = folded(text) if self.patient_ids in _LOOSE else text
        text = text.str.replace(*SHORTER[self.patient_ids]) if self.patient_ids in SHORTER else text
        for n in range(len(self.told.dependant)):
            number = folded(pl.col(f"dependant{n}:"))
            text = pl.when(number != "").then(pl.concat_str(text, number, separator=_BETWEEN)).otherwise(text)
        if self.clinic:
            clinic = pl.col("clinic:").str.to_uppercase()
            clinic = clinic.str.extract(r"^(\p{L}+)") if self.clinic == self.told.clinic_letters else clinic
            text = pl.concat_str(clinic.fill_null(""), text, separator=_BETWEEN)
        if self.of_file:
            text = pl.concat_str(pl.lit(self.of_file), text, separator=_BETWEEN)
        return text

    def _tooth(self) -> pl.Expr:
        text = pl.col("tooth").cast(pl.String).str.strip_chars()
        if self.told.tooth_letter == SURFACE:
            text = text.str.replace(r"^(#?\d{1,2})[\s,/-]*[A-Za-z]$|^([A-Ta-t])\s*[,/-]\s*[A-Za-z]$", "${1}${2}")
        if self.told.tooth_letter == PRIMARY:
            number = text.str.extract(r"(?i)^#?0?(\d|1\d|20)d$").cast(pl.Int16)
            text = pl.coalesce(number.replace_strict(dict(enumerate(_PRIMARY, 1)), default=None), text)
        if self.told.teeth_count_from == ZERO:
            number = text.str.extract(r"^0?(\d|[12]\d|3[01])(?:\.0+)?$").cast(pl.Int16) + 1
            text = pl.coalesce(number.cast(pl.String), text)
        if self.told.teeth_as_decimals:
            text = text.str.replace(r"^([1-8])[.,/-]([1-8])$", "${1}${2}")
        if self.told.teeth_as_dates:
            text = pl.coalesce(as_written(tooth_of_date(text, self.told.teeth_as_dates), self.notation), text)
        if self.told.quadrant:
            digit = text.str.extract(r"^0?([1-8])(?:\.0+)?$")
            text = pl.coalesce(as_written(quadrant_digit(pl.col("quadrant:")) + digit, self.notation), text)
        return text

    def _status(self, own: pl.Expr) -> pl.Expr:
        """What marks make of a row. Its own status outweighs the plan it stands in; what was deleted had one before."""
        marks = [(_mark(h), p, w) for h, p, w in self.marks]
        weak = [m for m in marks if m[0] == _mark(SECTION) and m[2] not in ("void", REVERSAL)]
        text = own.str.strip_chars().replace("", None)
        return status_of([m for m in marks if m not in weak], pl.coalesce(text, status_of(weak, text)))

    @property
    def _from_zero(self) -> bool:
        return self.told.months_count_from == ZERO

    @property
    def _reversals(self) -> list[pl.Expr]:
        return [matches(pl.col(_mark(h)), p) for h, p, word in self.marks if word == REVERSAL]

    def _fee(self) -> pl.Expr:
        """The fee; below 0 where the amount stands in the column of credits, or the row takes another one back."""
        fee = pl.col("fee").cast(pl.String)
        if self.in_cents:
            coins = fee.str.strip_chars().str.extract(r"^([-+]?\d{1,15})(?:\.0+)?$").cast(pl.Int64, strict=False)
            fee = pl.coalesce((coins / 100).cast(pl.String), fee)
        if self.told.fee_times:
            fee = times(fee, pl.col("times:"))
        if self.told.credit:
            credit = pl.col("credit:")
            fee = pl.when(is_amount(credit) & ~is_amount(fee)).then(_below_zero(credit)).otherwise(fee)
        if self._reversals:
            back = pl.any_horizontal(self._reversals)
            fee = pl.when(back & is_amount(fee)).then(_below_zero(fee)).otherwise(fee)
        return fee

    def _day(self, name: str) -> pl.Expr:
        text = pl.col(name).cast(pl.String)
        if self._from_zero:
            year, month, day = (text.str.extract(_YEAR_MONTH_DAY, part) for part in (1, 2, 3))
            month = (month.cast(pl.Int32, strict=False) + 1).cast(pl.String).str.zfill(2)
            text = pl.coalesce(pl.concat_str(year, month, day), text)
        if self.told.swapped_dates == MEND:
            fits = text.str.extract(_ISO_DAY, 3).cast(pl.Int32, strict=False) <= 12
            text = pl.when(fits).then(text.str.replace(_ISO_DAY, "${1}-${3}-${2}")).otherwise(text)
        if self.told.late_stamps == NEXT_DAY:
            stamp = epoch_as_stamp(text.str.strip_chars())
            late = stamp.str.extract(_LATE, 1).str.to_date("%Y-%m-%d", strict=False)
            text = pl.coalesce(late.dt.offset_by("1d").cast(pl.String), text)
        if self.told.year_begins and name == "service_date":
            text = calendar_years(text, _MONTHS.index(self.told.year_begins[:3]) + 1)
        if self.told.late_stamps == "universal":
            text = text.str.replace(_BARE_STAMP, "${1}Z")
        if (
            self.told.late_stamps == "midnights"
        ):  # the last minute of a day of Greenwich is of the day that began last at the practice
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
    """What is told about one file; with `ours` it is one whose cells need no answer, such as our own worksheet. Where
    each file numbers its own patients, they are those of the file `of`; `called` is what it calls a renamed column.
    Raises DataError if a column that PRACTICE.toml names for it is not in the file."""
    practice, told = settings.practice, settings.tables[table].for_file(of)
    needs_zone = told.late_stamps in ("midnights", "universal")
    zone = practice.time_zone if needs_zone or not told.late_stamps else None
    if needs_zone and zone is None:
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
    if has_none:
        told = replace(told, quadrant=())
    for key, told_of in (
        ("clinic", [clinic]),
        ("dependant", told.dependant),
        ("quadrant", told.quadrant),
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
        table,
        columns,
        practice.tooth_notation,
        told,
        patient_ids=practice.patient_ids,
        clinic=clinic,
        of_file=Path(of).stem if practice.numbering == PER_FILE else None,
        in_cents=told.fee_unit == "cent" and counts_coins(columns.get("fee"), told.renamed, called or {}),
        fee_called=(called or {}).get(columns.get("fee", ""), columns.get("fee")),
        zone=zone,
        merged=merged or {},
        notations=tuple(one for one in notations if one[0] != FILE or fits(Path(file).name, one[1])),
        codes=tuple((heading, *one) for heading, made in told.code_from.items() for one in made.items()),
        marks=marks,
    )


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
    """A patient's number without leading zeros, `.0`, case, blanks, and signs before or behind it."""
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
