"""What every kind of source file promises: its headings, and its rows as text in batches of bounded size.

A source around a source (`Around`) changes what it is there for; all else is as the one within says.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.fields import REQUIRED_FIELDS
from pipeline.practice.table_settings import Join, Made
from pipeline.reading.sources.group_lines import Template

ROW = "row_number"
SHEET, SHEET_ROW = "(sheet)", "(row of the sheet)"
SHEET_LINE = r"^.*?, row \d+: "  # what stands before a line of a workbook
MALFORMED_SCHEMA: dict[str, pl.DataType] = {
    ROW: pl.Int64(),
    "raw_row": pl.String(),
    "field": pl.String(),
    "value": pl.String(),
    "reason": pl.String(),
}


@dataclass(frozen=True)
class Batch:
    """Some rows of a file.

    `numbers` are their row numbers (1 is the first row under the heading) and `rows` the rows, one column per heading:
    text or, where the file has types, dates. `malformed` holds the records that are no rows (`MALFORMED_SCHEMA`):
    `raw_row` is the record as text, `reason` a code of `reasons` and null for `malformed_line`, `field` and
    `value` say what was wrong and may be null. `claims`, only from claim files, has one row per row and per record
    that does something to an earlier claim: row_number and the columns of `CLAIM_SCHEMA`. `section`
    names, for each row, the section that it stands in where that says whether the row stands; see `sections.py`.
    """

    numbers: pl.Series
    rows: pl.DataFrame
    malformed: pl.DataFrame
    claims: pl.DataFrame | None = None
    section: pl.Series | None = None

    def only(self, headings: Sequence[str] | None) -> Batch:
        """With these columns alone, in their order; with all for None."""
        return self if headings is None else replace(self, rows=self.rows.select(pl.col(h) for h in headings))

    def without(self, are_none: pl.Series, lines: pl.Series, reasons: str | pl.Series) -> Batch:
        """Without the rows that `are_none`: these stand among the malformed, in order, with their texts in `lines`."""
        if not are_none.any():
            return self
        why = reasons if isinstance(reasons, str) else reasons.filter(are_none)
        malformed = pl.concat([self.malformed, aside(self.numbers.filter(are_none), lines.filter(are_none), why)])
        numbers, rows = self.numbers.filter(~are_none), self.rows.filter(~are_none)
        return replace(self, numbers=numbers, rows=rows, malformed=malformed.sort(ROW))


@dataclass(frozen=True)
class Spoken:
    """What a file itself says about how it is written; what it does not say is None.

    `fields`: its headings are the names of our fields, so no columns are mapped. `notation`: how teeth are written.
    `date_format`: a strptime pattern. `serial_dates`: what day a spreadsheet's day 1 is, `1900` or `1904`.
    `how` says in words how it was cut into fields, empty where the kind of file leaves no choice; `above` are the lines
    above its headings.
    """

    fields: bool = False
    notation: str | None = None
    date_format: str | None = None
    serial_dates: str | None = None
    how: str = ""
    above: tuple[str, ...] = ()


class Source(Protocol):
    """An opened file."""

    @property
    def headings(self) -> Sequence[str]:
        """The headings, trimmed, each once; a heading that is there twice ends in ` (2)` the second time."""

    @property
    def spoken(self) -> Spoken:
        """What the file says about itself."""

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """Read the file from the start; only the columns `headings` if given. Every record comes out exactly once."""


@dataclass(frozen=True)
class Amounts:
    """What PRACTICE.toml tells of rows by their amounts, see `by_amounts.py`: the `signs` wanted, the headings of
    `patient`, `code` and `fee`, `back` the headings and patterns of rows that take others back, `mapped` the headings
    in which rows that stand there again are alike."""

    signs: tuple[str, ...]
    patient: str
    code: str
    fee: str
    back: tuple[tuple[str, str], ...]
    mapped: tuple[str, ...]


@dataclass(frozen=True)
class ReadOptions:
    """What PRACTICE.toml says of a file.

    `table` is the input table that it is read as, `wanted` are the headings that the TOML names. `header_row` is the
    line (in a workbook: the row) of the headings, from 1; 0 where there are none, and the columns are then called
    `column 1`, `column 2` and so on; None to find them. `sheets` are the names of a workbook's sheets, empty for all
    that have the wanted headings. `tooth_systems` maps addresses of tooth numberings to universal, fdi or palmer, and
    `code_systems` are addresses of code lists whose codes are taken besides those known,
    and `findings` maps `address|code` of an observation to the field that it fills.

    Of how a report is laid out: `fill_down` are headings of columns that say a thing once a group of rows, outermost
    first; `group_lines` the forms of lines that say it above the rows; `loose_columns` headings of columns that hold
    the delimiter without quotation marks; `fixed_width` the places, from 1, at which fields begin; `stacked_tables`
    whether several tables stand one below the other; `repeated_columns` sets of columns that are a row each, side by
    side; `cell_lists` headings of cells with several parts that go together, `fees` those of fees among them;
    `transposed` whether records are columns; `record_lines` whether a record is several lines, a name and a value
    on each; `sheet_name` and `file_name` the forms of names that say a field of all rows; `required` are
    the headings of `wanted` in which every row of work has something; `repeats` whether a mark for the same
    again stands for the cell above it. `renamed` maps headings of files that call a
    column otherwise to the one of `wanted`. `joined` are lists whose columns stand on its rows, by their paths.
    `made` are fields that are made of columns. `sections` are the patterns of
    the names of sections of which it is told what their rows are, None if nothing is said, `lines_below` those of lines
    that are about the row above them; `amounts` what is told of rows by their amounts; `folder` is that of the
    TOML, `within` the names of what a file of an archive stands in, outermost first.
    """

    table: str = "procedures"
    wanted: tuple[str, ...] = ()
    delimiter: str | None = None
    encoding: str | None = None
    header_row: int | None = None
    sheets: tuple[str, ...] = ()
    tooth_systems: Mapping[str, str] = field(default_factory=dict)
    code_systems: tuple[str, ...] = ()
    findings: Mapping[str, str] = field(default_factory=dict)
    fill_down: tuple[str, ...] = ()
    group_lines: tuple[Template, ...] = ()
    loose_columns: tuple[str, ...] = ()
    fixed_width: tuple[int, ...] = ()
    stacked_tables: bool = False
    renamed: Mapping[str, str] = field(default_factory=dict)
    made: tuple[Made, ...] = ()
    joined: tuple[Join, ...] = ()
    repeated_columns: tuple[tuple[str, ...], ...] = ()
    cell_lists: tuple[str, ...] = ()
    fees: tuple[str, ...] = ()
    transposed: bool = False
    record_lines: bool = False
    sheet_name: Template | None = None
    file_name: Template | None = None
    required: tuple[str, ...] = ()
    repeats: bool = False
    sections: tuple[str, ...] | None = None
    lines_below: tuple[str, ...] | None = None
    amounts: Amounts | None = None
    folder: Path | None = None
    within: tuple[str, ...] = ()

    @property
    def needed(self) -> tuple[str, ...]:
        """The headings that the file must have: those that are wanted, else those that the table needs."""
        names = [template for template in (self.sheet_name, self.file_name) if template]
        said = {name for template in (*self.group_lines, *names) for name in template.fields}
        said |= {one.field for one in self.made}
        return tuple(h.strip() for h in self.wanted if h.strip() not in said) or tuple(
            name for name in REQUIRED_FIELDS[self.table] if name not in said
        )


def refuse_absent(named: Iterable[str | None], headings: Collection[str], key: str, *, file: str) -> None:
    """Refuse a file that lacks a column that a key of PRACTICE.toml names. Raises DataError with the first such
    column."""
    if absent := [heading for heading in named if heading is not None and heading not in headings]:
        raise DataError(f'{file}: has no column "{absent[0]}", which {key} names. Correct the name in the TOML.')


def aside(numbers: Iterable[int], lines: Iterable[str | None], reasons: str | pl.Series | None = None) -> pl.DataFrame:
    """Records that are no rows in the shape of `Batch.malformed`; `reasons` is one for all, or one for each."""
    of = {ROW: pl.Series(ROW, numbers, dtype=pl.Int64), "raw_row": pl.Series("raw_row", lines, dtype=pl.String)}
    return in_shape(pl.DataFrame(of).with_columns(reason=pl.lit(reasons, pl.String)))


def in_shape(found: pl.DataFrame) -> pl.DataFrame:
    """Some of the columns of `Batch.malformed` with the others, empty."""
    absent = (pl.lit(None, t).alias(n) for n, t in MALFORMED_SCHEMA.items() if n not in found.columns)
    return found.with_columns(absent).select(pl.col(n).cast(t) for n, t in MALFORMED_SCHEMA.items())


def lines_alone(headings: Iterable[str], malformed: pl.DataFrame) -> Batch:
    """A batch of no row, with records that are none."""
    rows = pl.DataFrame(schema=dict.fromkeys(headings, pl.String()))
    return Batch(pl.Series(ROW, [], dtype=pl.Int64), rows, malformed)


def plain_line() -> pl.Expr:
    """The text of a record that is no row, without its place in a workbook and the signs around it."""
    return pl.col("raw_row").fill_null("").str.replace(SHEET_LINE, "").str.strip_chars(' ,;|\t"')


def unique_headings(headings: Sequence[str]) -> list[str]:
    """Trimmed headings, each once: empty ones get `column N`, repeated ones a number."""
    found: dict[str, int] = {}  # names given, each with the number that its last repetition got
    for place, heading in enumerate(headings, 1):
        name = plain = heading.strip() or f"column {place}"
        while name in found:
            found[plain] += 1
            name = f"{plain} ({found[plain]})"
        found[name] = 1
    return list(found)


@dataclass
class Around:
    """What sources around a source have in common; see `Source`."""

    source: Source

    @property
    def added(self) -> Sequence[str]:
        """The columns that this one adds to those of the source within."""
        return ()

    @property
    def headings(self) -> Sequence[str]:
        """See `Source.headings`."""
        return [*self.source.headings, *self.added]

    def within(self, headings: Sequence[str] | None, *beside: str) -> list[str] | None:
        """Of the columns asked for those that the source within has, and those that are needed beside them."""
        return (
            None if headings is None else list(dict.fromkeys([*(h for h in headings if h not in self.added), *beside]))
        )

    @property
    def spoken(self) -> Spoken:
        """See `Source.spoken`."""
        return self.source.spoken

    @property
    def remark(self) -> str | None:
        """What the source within remarks and what was done to it, once all batches have been taken."""
        return "; ".join(t for t in (getattr(self.source, "remark", None), *self.done()) if t) or None

    def done(self) -> Sequence[str | None]:
        """What this one did, in words; None for what it did nowhere."""
        return ()

    @property
    def delimiter(self) -> str:
        """What stands between the fields of a line that is no row."""
        return getattr(self.source, "delimiter", "\t")

    @property
    def sheets(self) -> Sequence[str]:
        """Of a workbook, the sheets that are read."""
        return getattr(self.source, "sheets", ())

    @property
    def dittos(self) -> Mapping[str, int]:
        """Cells of each column, in the last reading of it, that hold a mark for the same again and were not filled."""
        return getattr(self.source, "dittos", {})

    @property
    def called(self) -> Mapping[str, str]:
        """What the file itself calls a column that PRACTICE.toml says is renamed."""
        return getattr(self.source, "called", {})

    @property
    def titles(self) -> Mapping[str, tuple[str, ...]]:
        """Of a workbook, the lines above the headings of each sheet."""
        return getattr(self.source, "titles", {})


_ENOUGH_ROWS = 1_000


def in_few(batches: Iterable[Batch]) -> Iterator[Batch]:
    """The same rows in fewer batches, small ones that follow one another as one: each costs as much as many rows."""
    waiting: list[Batch] = []
    for batch in batches:
        if waiting and (_unlike(waiting[0], batch) or sum(len(b.numbers) for b in waiting) >= _ENOUGH_ROWS):
            yield together(waiting)
            waiting = []
        waiting.append(batch)
    if waiting:
        yield together(waiting)


def _unlike(one: Batch, other: Batch) -> bool:
    sections = (one.section is None) != (other.section is None)
    return one.rows.schema != other.rows.schema or one.claims is not None or other.claims is not None or sections


def together(batches: Sequence[Batch]) -> Batch:
    """Batches that follow one another, none of which has claims, as one."""
    if len(batches) == 1:
        return batches[0]
    section = None if batches[0].section is None else pl.concat([b.section for b in batches if b.section is not None])
    numbers, rows = pl.concat([b.numbers for b in batches]), pl.concat([b.rows for b in batches])
    return Batch(numbers, rows, pl.concat([b.malformed for b in batches]), None, section)
