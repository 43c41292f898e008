"""Rows that leave out what the rows or lines above them say: the patient or the day once for a group of rows.

Two forms, which may stand together. `fill_down`: the first row of a group has the value in its own column. Lines
(`group_lines`): a line above the rows has it, and the source gets a column of the field's name.

Nothing is carried over a place where the group may have ended. A value ends at the next one and, for the rows of inner
columns, at the next value of an outer one (the order in which they are told, the outermost first). It ends at a line of
totals, at a line that begins like a group line and is none, and at any other unknown line that does not stand right
below a group line. It ends with the sheet. A row without a value is then set aside as one that lacks it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.counts import count
from pipeline.reading.sources.group_lines import Template
from pipeline.reading.sources.source import ROW, SHEET, SHEET_LINE, SHEET_ROW, Around, Batch, refuse_absent
from pipeline.reading.sources.standing_names import are_titles
from pipeline.reading.sources.text_notes import NOTE_LINE, TOTAL_LINE

# The head of a page, with its number at the end: the group goes on below it.
_PAGE_HEAD = (
    r"(?i)(?:\b(?:page|seite|blatt|p[aá]gina|pag|folio|bladzijde|side|sida|sivu|strona|strana|oldal|sayfa|стр|σελ)\.?|頁|ページ|쪽)"
    r"\s*:?\s*\d+(?:\s*(?:/|of|von|sur|de|di|av|z)\s*\d+)?\s*$"
)
_RULE = r"^[\s\-=_+|*–—]+$"  # drawn below the headings of a page
_PAGE_TOTAL = r"(?i)\b(?:page|carried|brought|forward|seite|übertrag|report(?:er)? |blad)"


@dataclass
class Grouped(Around):
    """A source whose rows get what their group says; see `pipeline.reading.sources.source.Source`.

    `fill` are headings of columns that say it once a group, outermost first; `templates` lines that do. `needed` are
    the headings that are mapped, and `required` those that every row of work has: a row that lacks one of the
    former and begins a cell with a word for totals is a total.
    """

    fill: tuple[str, ...]
    templates: tuple[Template, ...]
    needed: tuple[str, ...]
    file: str
    required: tuple[str, ...] = ()
    _filled: int = field(default=0, init=False)
    _lines: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        there = self.source.headings
        refuse_absent(self.fill, there, "fill_down", file=self.file)
        if twice := [f for f in self.added if f in there]:
            raise DataError(
                f'{self.file}: has a column "{twice[0]}", and group_lines says that lines above the rows hold it. '
                "Keep one of the two."
            )

    @property
    def added(self) -> Sequence[str]:
        """The fields of the group lines."""
        return list(dict.fromkeys(f for t in self.templates for f in t.fields))

    def done(self) -> Sequence[str | None]:
        """How many lines name a group, and how many rows got a value from above."""
        lines = f"{count(self._lines, 'line')} name a group" if self._lines else None
        return [lines, f"{count(self._filled, 'row')} got what their group says" if self._filled else None]

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        self._filled = self._lines = 0
        state = _State(held=self._said_in(self.source.spoken.above))
        for batch in self.source.batches():
            yield self._one(batch, state).only(headings)

    def _said_in(self, above: Sequence[str]) -> dict[str, Any]:
        """What lines above the headings say of the first group."""
        lines = pl.Series("line", above, dtype=pl.String).to_frame()
        found: dict[str, Any] = {}
        for template in self.templates:
            told = lines.filter(template.matches(pl.col("line")))
            if told.height:
                self._lines += 1
                last = told.tail(1)
                found |= {f: last.select(template.value(pl.col("line"), f)).item() for f in template.fields}
        return found

    def _one(self, batch: Batch, state: _State) -> Batch:
        rows = batch.rows
        if SHEET in rows.columns and rows.height and (sheet := rows[SHEET][0]) != state.sheet:
            held = self._said_in(self.titles.get(sheet, ()))
            state.sheet, state.held, state.outer, state.in_head = sheet, held, {}, False
        cells = _cells(rows)
        if self.templates and rows.height:
            # A row that has all that work needs is no line above it, however it begins; where the form of such lines
            # has no words, what every row of work must have is enough, for work too begins with a number.
            worded, bare = ([t for t in self.templates if bool(t.start) is has] for has in (True, False))
            is_line = _any([t.matches(pl.col("line")) for t in worded], cells) & ~_complete(rows, self.needed)
            is_line |= _any([t.matches(pl.col("line")) for t in bare], cells) & ~_complete(rows, self.required)
            batch, cells = batch.without(is_line, cells, "group_line"), cells.filter(~is_line)
        # Before they get what their group says, which would make them look like work.
        batch, cells = batch.without(cells == "", cells, "row_empty"), cells.filter(cells != "")
        is_total = pl.Series(_totals(batch.rows, self.needed), dtype=pl.Boolean)
        batch, cells = batch.without(is_total, cells, "totals_row"), cells.filter(~is_total)
        rows, numbers = batch.rows, batch.numbers
        lines = batch.malformed.with_columns(pl.col("raw_row").str.replace(SHEET_LINE, "").alias("line"))
        if self.templates and lines.height:
            line, broken = pl.col("line"), self._is_broken(pl.col("line"))
            # What begins with a number and no word may be a row that has a field too many or too few.
            own = _any([t.matches(line) & (~broken if not t.start else True) for t in self.templates], lines["line"])
            reason = pl.when(own).then(pl.lit("group_line")).otherwise(pl.col("reason"))
            lines = lines.with_columns(reason.alias("reason"))
            self._lines += int(own.sum())
        strays = _strays(rows, self.fill)
        placed = replace(batch, rows=self._placed(rows, numbers, lines, strays, state), malformed=lines.drop("line"))
        return placed.without(pl.Series(strays, dtype=pl.Boolean), cells, "note_line")

    def _placed(
        self, rows: pl.DataFrame, numbers: pl.Series, lines: pl.DataFrame, strays: np.ndarray, state: _State
    ) -> pl.DataFrame:
        """The rows with what their groups say."""
        order = np.argsort(np.concatenate([numbers.to_numpy(), lines[ROW].to_numpy()]), kind="stable")
        is_row = (np.arange(len(order)) < rows.height)[order]
        back = np.flatnonzero(is_row)  # the places of the rows, in their order, among all lines
        ends = np.concatenate([strays, self._ends(numbers, lines, state)])[order]
        outer_new = np.concatenate([strays, np.zeros(lines.height, dtype=bool)])[order]
        columns: dict[str, pl.Series] = {}
        inner = (*self.added, *self.fill)[-1:]
        for name in (*self.added, *self.fill):
            own = self._own(name, rows, lines)
            marked = pl.DataFrame({"own": own, "stray": np.concatenate([strays, np.zeros(lines.height, dtype=bool)])})
            own = marked.select(pl.when(~pl.col("stray")).then("own").alias(name)).to_series()
            values = own.gather(order)
            has = values.is_not_null().to_numpy()
            stops = outer_new | (ends if name in inner or name in self.added else np.zeros_like(ends))
            filled, state.held[name] = _carried(values, has | stops, state.held.get(name))
            outer_new |= has & _changes(values, filled, has, state.outer.get(name))
            if has.any():
                state.outer[name] = values.filter(pl.Series(has))[-1]
            result = filled.gather(back).alias(name)
            empty = ~pl.Series(has).gather(back)
            self._filled += int((empty & result.is_not_null()).sum())
            columns[name] = result
        return rows.with_columns(columns.values()) if columns else rows

    def _own(self, name: str, rows: pl.DataFrame, lines: pl.DataFrame) -> pl.Series:
        """What rows and lines themselves say of a field or column, rows first."""
        if name in self.added:
            found = [t.value(pl.col("line"), name) for t in self.templates if name in t.fields]
            said = lines.select(
                pl.when(pl.col("reason") == "group_line").then(pl.coalesce(found)).alias(name)
            ).to_series()
            return pl.concat([pl.Series(name, [None] * rows.height, dtype=pl.String), said.cast(pl.String)])
        column = rows[name]
        if column.dtype == pl.String:
            column = rows.select(pl.col(name).str.strip_chars().replace("", None)).to_series()
        return pl.concat([column, pl.Series(name, [None] * lines.height, dtype=column.dtype)])

    def _is_broken(self, lines: pl.Expr) -> pl.Expr:
        """Whether lines are rows with a field too many or too few: they have at least half the delimiters of one."""
        return lines.str.count_matches(self.delimiter, literal=True) * 2 >= len(self.source.headings)

    def _ends(self, numbers: pl.Series, lines: pl.DataFrame, state: _State) -> np.ndarray:
        """Which lines that are no rows may end a group."""
        if not lines.height:
            return np.zeros(0, dtype=bool)
        text, reason = pl.col("line"), pl.col("reason")
        is_known = text.str.contains(NOTE_LINE) | (reason == "repeated_heading").fill_null(False)
        is_known |= text.str.contains(rf"{_PAGE_HEAD}|{_RULE}")
        is_known |= pl.Series(are_titles(lines["line"]))
        # What stands above the headings of the first page stands above those of each.
        is_known |= pl.Series(_unnumbered(lines["line"]).is_in(_unnumbered(self.source.spoken.above).implode()))
        is_total = text.str.contains(TOTAL_LINE) | (reason == "totals_row").fill_null(False)
        is_total &= ~text.str.contains(_PAGE_TOTAL)
        broken = self._is_broken(text)
        alike = pl.any_horizontal(pl.lit(False), *(t.resembles(text) for t in self.templates))
        is_group = (reason == "group_line").fill_null(False)
        found = lines.select(
            group=is_group, total=is_total, alike=alike & ~is_group, unknown=~is_known & ~broken & ~is_group & ~is_total
        )
        group = found["group"].to_numpy()
        unknown = found["unknown"].to_numpy()
        in_head = _in_head(numbers.to_numpy(), lines[ROW].to_numpy(), group, state)
        strange = unknown & ~in_head if self.templates else np.zeros_like(unknown)
        ends: np.ndarray = found["total"].to_numpy() | found["alike"].to_numpy() | strange
        return ends


@dataclass
class _State:
    """What goes on from one batch to the next: values held, the last value said of each, the sheet, and whether a
    group line has had no row yet."""

    held: dict[str, Any] = field(default_factory=dict)
    outer: dict[str, Any] = field(default_factory=dict)
    sheet: str | None = None
    in_head: bool = False


def _unnumbered(lines: Sequence[str] | pl.Series) -> pl.Series:
    """Lines with the same sign for each number, as of a page or a day, and single blanks."""
    text = pl.col("line").str.replace_all(r"\d+", "9").str.replace_all(r"\s+", " ").str.strip_chars()
    return pl.Series("line", lines, dtype=pl.String).to_frame().select(text).to_series()


def _complete(rows: pl.DataFrame, needed: Sequence[str]) -> pl.Series:
    """Whether a row has something in each of the columns that every row of work has."""
    there = [h for h in needed if h in rows.columns]
    filled = [pl.col(h).cast(pl.String).str.strip_chars().replace("", None).is_not_null() for h in there]
    return rows.select(pl.all_horizontal(filled)).to_series() if filled else pl.Series([False] * rows.height)


def _cells(rows: pl.DataFrame) -> pl.Series:
    """The filled cells of each row with a blank between them."""
    names = [n for n in rows.columns if n not in (SHEET, SHEET_ROW)]
    texts = [pl.col(n).cast(pl.String).str.strip_chars().replace("", None) for n in names]
    if not texts:
        return pl.Series("line", [""] * rows.height)
    return rows.select(pl.concat_str(texts, separator=" ", ignore_nulls=True).alias("line")).to_series()


def _any(tests: list[pl.Expr], lines: pl.Series) -> pl.Series:
    return (
        lines.to_frame("line")
        .with_columns(pl.any_horizontal(pl.lit(False), *tests).fill_null(False).alias("found"))
        .get_column("found")
    )


def _totals(rows: pl.DataFrame, needed: Sequence[str]) -> np.ndarray:
    """Which rows are totals: a cell begins with a word for them, and something that every row of work has is empty."""
    texts = [n for n in rows.columns if rows.schema[n] == pl.String and n not in (SHEET, SHEET_ROW)]
    there = [n for n in needed if n in rows.columns]
    if not rows.height or not texts or not there:
        return np.zeros(rows.height, dtype=bool)
    lacks = pl.any_horizontal((pl.col(n).cast(pl.String).str.strip_chars().fill_null("") == "") for n in there)
    some = rows.select(lacks.arg_true()).to_series()
    found = np.zeros(rows.height, dtype=bool)
    if len(some):
        says = rows[some].select(pl.any_horizontal(pl.col(n).str.contains(TOTAL_LINE) for n in texts).fill_null(False))
        found[some.to_numpy()] = says.to_series().to_numpy()
    return found


def _strays(rows: pl.DataFrame, fill: Sequence[str]) -> np.ndarray:
    """Which rows hold nothing but words, several and without a digit, in a column that is filled down: a remark."""
    if not rows.height or not fill:
        return np.zeros(rows.height, dtype=bool)
    cells = _cells(rows)
    words = cells.str.contains(r"\S\s+\S") & ~cells.str.contains(r"\d")
    texts = [n for n in fill if rows.schema[n] == pl.String]
    alone = rows.select(pl.any_horizontal(pl.lit(False), *(pl.col(n).str.strip_chars() == cells for n in texts)))
    return (words & alone.to_series().fill_null(False)).to_numpy()


def _carried(values: pl.Series, at: np.ndarray, before: Any) -> tuple[pl.Series, Any]:
    """Each value up to the next place in `at`, where the value there (null: none) takes over; and the last one."""
    places = np.maximum.accumulate(np.where(at, np.arange(len(at)), -1)) if len(at) else np.zeros(0, dtype=int)
    start = pl.Series(values.name, [before], dtype=values.dtype, strict=False)
    filled = pl.concat([start, values]).gather(places + 1)
    return filled, filled[-1] if len(filled) else before


def _changes(values: pl.Series, filled: pl.Series, has: np.ndarray, before: Any) -> np.ndarray:
    """Where a value is given that is another one than was given last."""
    given = np.flatnonzero(has)
    said = values.gather(given).to_list()
    if not said:
        return np.zeros(len(filled), dtype=bool)
    new = [a != b for a, b in zip(said, [before, *said[:-1]], strict=True)]
    found = np.zeros(len(filled), dtype=bool)
    found[given] = new
    return found


def _in_head(rows: np.ndarray, lines: np.ndarray, group: np.ndarray, state: _State) -> np.ndarray:
    """Which lines stand below a group line with no row between them."""
    last_row = np.searchsorted(rows, lines)  # rows before each line
    found = np.zeros(len(lines), dtype=bool)
    head, rows_then = state.in_head, 0
    for n in range(len(lines)):
        if head and last_row[n] > rows_then:
            head = False
        if group[n]:
            head, rows_then = True, last_row[n]
        found[n] = head
    state.in_head = head and (len(rows) <= rows_then)
    return found


@dataclass
class NamedParts(Around):
    """A source with the fields that names say as columns; see `pipeline.reading.sources.source.Source`."""

    sheet_name: Template | None
    file_name: Template | None
    file: str

    def __post_init__(self) -> None:
        there = self.source.headings
        if self.sheet_name and SHEET not in there:
            raise DataError(f"{self.file}: sheet_name is told, and this file has no sheets. Take it out of the TOML.")
        if twice := [name for name in self.added if name in there]:
            raise DataError(
                f'{self.file}: has a column "{twice[0]}", and a name is said to hold it. Keep one of the two in '
                "the TOML."
            )

    @property
    def added(self) -> Sequence[str]:
        """The fields that names say."""
        told = [name for template in (self.sheet_name, self.file_name) if template for name in template.fields]
        return list(dict.fromkeys(told))

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        named = ((self.sheet_name, pl.col(SHEET)), (self.file_name, pl.lit(stem(self.file))))
        told = [template.value(text, f).alias(f) for template, text in named if template for f in template.fields]
        for batch in self.source.batches():
            yield replace(batch, rows=batch.rows.with_columns(told)).only(headings)


def stem(file: str) -> str:
    """The name of a file without its ending."""
    name = file.removesuffix(".gz")
    return name.rpartition(".")[0] or name
