"""The section that a row stands in, where its name says whether the row stands: `Planned`, `deleted`, `TREATMENT PLAN`.

A section is a line above or between the rows, a sheet or table, a file, or a folder or archive around it; of several
around a row the innermost that says anything counts. Nothing is made of it here: the name goes with each row
(`Batch.section`), and stands in the column `(section)` where PRACTICE.toml says what rows of a section are.

A line holds for the rows below it up to the next such line and the end of the sheet. Another line ends it too, but for
one of the kind that came before its first row: below `PLANNED` and `Patient: 1042` the next patient's rows are planned;
below `Patient: 1042` and `PLANNED` they are not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from pipeline.sources.around import Around
from pipeline.sources.excel_file import SHEET, SHEET_ROW
from pipeline.sources.named_parts import stem
from pipeline.sources.source import ROW, Batch, malformed_lines
from pipeline.sources.standing_names import are_titles, bare_title, innermost, may_be_titles, named, titled
from pipeline.sources.text_notes import NOTE_LINE

SECTION = "(section)"
SHEET_LINE = r"^.*?, row \d+: "
_MOST_FILLED = 3
_AMOUNT = r"^[\s$€£(+-]*[\d.,' ]+[)%\s€-]*$"


@dataclass
class TitleRows(Around):
    """A source whose rows that only hold a title of a section are no rows but notes; see `Source`.

    `needed` are headings in which work has something: such a row lacks all of them but the one it stands in.
    """

    needed: tuple[str, ...]

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`; where few columns are asked for, rows stay as they are."""
        there = [h for h in dict.fromkeys(self.needed) if h in self.source.headings]
        for batch in self.source.batches(headings):
            is_whole = len(there) > 1 and set(there) <= set(batch.rows.columns)
            yield self._without_titles(batch, there) if is_whole and batch.rows.height else batch

    def _without_titles(self, batch: Batch, needed: Sequence[str]) -> Batch:
        empty = [_is_empty(batch.rows, h) for h in needed]
        few = batch.rows.select((pl.sum_horizontal(empty) >= len(needed) - 1).arg_true()).to_series()
        if not len(few):
            return batch
        cells = [h for h in batch.rows.columns if h not in (SHEET, SHEET_ROW)]
        rows = batch.rows[few].select(pl.col(h).cast(pl.String).str.strip_chars().replace("", None) for h in cells)
        filled = pl.sum_horizontal(pl.all().is_not_null())
        words = pl.concat_str(
            (pl.when(~pl.col(h).str.contains(_AMOUNT)).then(pl.col(h)) for h in cells), separator=" ", ignore_nulls=True
        )
        found = rows.select(words.alias("line"), at=few, maybe=(filled <= _MOST_FILLED) & may_be_titles(words))
        found = found.filter("maybe")
        found = found.filter(are_titles(found["line"]))
        if not found.height:
            return batch
        is_title = pl.Series(np.isin(np.arange(batch.rows.height), found["at"].to_numpy()))
        numbers = batch.numbers.filter(is_title)
        lines = malformed_lines(list(zip(numbers, found["line"], strict=True)))
        lines = lines.with_columns(pl.lit("note_line").alias("reason")).select(batch.malformed.columns)
        return replace(
            batch,
            numbers=batch.numbers.filter(~is_title),
            rows=batch.rows.filter(~is_title),
            malformed=pl.concat([batch.malformed, lines]).sort(ROW),
        )


@dataclass
class _State:
    """What holds at the end of a batch: the title, what came first below it (a row or a line), and the sheet."""

    title: str | None = None
    first: str | None = None
    sheet: str | None = None


@dataclass
class Sections(Around):
    """A source whose rows say in which section they stand; see `Source` and `Batch.section`.

    `around` are the names of what the file stands in, outermost first, its own the last. With `is_told` the names are
    a column too.
    """

    file: str
    around: tuple[str, ...] = ()
    is_told: bool = False
    _base: str | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        # Of a folder or an archive all words must be known: folders are called by many things.
        outer = [name for name in self.around if named(name).is_whole]
        own = stem(self.file)
        self._base = self.file if named(own).words else innermost(outer)

    @property
    def headings(self) -> Sequence[str]:
        """Those of the source, and `(section)` where it is told."""
        return [*self.source.headings, *([SECTION] if self.is_told else [])]

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        wanted = None if headings is None else [h for h in headings if h != SECTION or not self.is_told]
        state = _State(title=self._above(self.spoken.above))
        for batch in self.source.batches(wanted):
            section = self._of(batch, state) if batch.section is None else batch.section
            rows = batch.rows
            if self.is_told and (headings is None or SECTION in headings):
                told = pl.lit(None, pl.String) if section is None else section
                rows = rows.with_columns(told.alias(SECTION))
                rows = rows if headings is None else rows.select(pl.col(h) for h in headings)
            yield replace(batch, rows=rows, section=section)

    def _of(self, batch: Batch, state: _State) -> pl.Series | None:
        """The section of each row; None where none of them stands in one."""
        lines = _lines(batch.malformed)
        sheets = batch.rows[SHEET].cast(pl.String).to_list() if SHEET in batch.rows.columns else None
        if not lines and state.title is None and self._base is None and sheets is None:
            return None
        numbers = batch.numbers.to_numpy()
        found: list[str | None] = [None] * len(numbers)
        ends = [(int(np.searchsorted(numbers, number)), line) for number, line in lines]
        at = 0
        for end, line in [*ends, (len(numbers), None)]:
            self._fill(found, at, end, sheets, state)
            at = end
            if line is None:
                continue
            if titled(line).words:
                state.title, state.first = bare_title(line), None
            elif state.title is not None:
                state.title = None if state.first == "row" else state.title
                state.first = state.first or "line"
        return pl.Series(SECTION, found, dtype=pl.String) if any(found) else None

    def _fill(self, found: list[str | None], at: int, end: int, sheets: list[str] | None, state: _State) -> None:
        """The names for the rows from `at` to before `end`, between which no line stands."""
        while at < end:
            until, sheet = end, None
            if sheets is not None:
                sheet = sheets[at]
                until = next((n for n in range(at, end) if sheets[n] != sheet), end)
                if sheet != state.sheet:
                    is_leading = state.title is not None and state.first is None  # a title with no row yet is its own
                    state.title = state.title if is_leading else self._above(self.titles.get(sheet, ()))
                    state.sheet = sheet
            name = state.title
            if name is None:
                name = sheet if sheet and named(sheet).words else self._base
            if name is not None:
                found[at:until] = [name] * (until - at)
            state.first = state.first or "row"
            at = until

    def _above(self, lines: Sequence[str]) -> str | None:
        return next((bare_title(line) for line in reversed(lines) if titled(line).words), None)


def _lines(malformed: pl.DataFrame) -> list[tuple[int, str]]:
    """Row number and text of the lines that may begin or end a section."""
    if not malformed.height:
        return []
    line = pl.col("raw_row").fill_null("").str.replace(SHEET_LINE, "").str.strip_chars(' ,;|\t"')
    is_note = (pl.col("reason") == "note_line") & ~line.str.contains(NOTE_LINE) | (pl.col("reason") == "group_line")
    is_title = (pl.col("reason") == "note_line") & may_be_titles(line)
    lines = malformed.select(ROW, line=line, kept=(is_note | is_title).fill_null(False)).filter("kept").sort(ROW)
    return [(int(number), text) for number, text in lines.select(ROW, "line").iter_rows()]


def _is_empty(rows: pl.DataFrame, heading: str) -> pl.Expr:
    column = pl.col(heading)
    return (
        (column.is_null() | (column.str.strip_chars() == "")) if rows.schema[heading] == pl.String else column.is_null()
    )
