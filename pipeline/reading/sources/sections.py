"""The section that a row stands in, where its name says whether the row stands: `Planned`, `deleted`, `TREATMENT PLAN`.

A section is a line above or between the rows, a sheet or table, a file, or a folder or archive around it; of several
around a row the innermost that says anything counts. Nothing is made of it here: the name goes with each row
(`Batch.section`), and stands in the column `(section)` where PRACTICE.toml says what rows of a section are.

A line holds for the rows below it up to the next such line and the end of the sheet. Another line ends it too, unless
one came before its first row: below `PLANNED` and `Patient: 1042` the next patient's rows are planned; below `Patient:
1042`, some rows and `PLANNED` they are not. So do patients whose number stands on their first row only.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from pipeline.reading.sources.grouped import stem
from pipeline.reading.sources.source import ROW, SHEET, SHEET_ROW, Around, Batch, plain_line
from pipeline.reading.sources.standing_names import (
    are_titles,
    bare_title,
    fits,
    is_labelled,
    may_be_titles,
    named,
    titled,
    told_name,
)
from pipeline.reading.sources.text_notes import NOTE_LINE

SECTION = "(section)"
_MOST_FILLED = 3
_MANY_CELLS = r"(?:[^\t;,|]+[\t;,|]){3}\s*[^\s\t;,|]"  # a row that is broken
_FEW = 2
# Amounts, counts and days beside a title.
_AMOUNT = r"^[\s$€£#(+-]*[\d.,:/' -]*\d[\d.,:/' -]*[)%\s€-]*$"


@dataclass
class TitleRows(Around):
    """A source whose rows that only hold a title of a section are no rows but notes; see `Source`.

    `needed` are headings in which work has something: such a row lacks one at least; where none of them is there, as
    in a look at an unknown file, it has few cells. Below the first title other rows
    of words in one cell are notes too, unless `fill_down` makes rows of such. Where `is_cut`, fields begin at places of
    the line, and a title is cut by them. Lines that a pattern of `told` fits are titles too.
    """

    needed: tuple[str, ...]
    fill_down: bool = False
    is_cut: bool = False
    told: tuple[str, ...] = ()

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`. Where some columns are asked for, only those in which work has something are looked
        at beside them, and none if they are not among these."""
        there = [h for h in dict.fromkeys(self.needed) if h in self.source.headings]
        there = there if len(there) > 1 else []
        is_below, looked_at = False, headings
        if headings is not None and set(there) & set(headings):
            looked_at = [h for h in self.source.headings if h in {*headings, *there}]  # a title is the first of them
        for batch in self.source.batches(looked_at):
            is_whole = set(there or self.source.headings) <= set(batch.rows.columns)
            kept = self._without_titles(batch, there, is_below) if is_whole and batch.rows.height else batch
            is_below |= kept is not batch
            yield kept if looked_at is headings else kept.only(headings)

    def _without_titles(self, batch: Batch, needed: Sequence[str], is_below: bool) -> Batch:
        if needed:
            lacks = pl.any_horizontal(_is_empty(batch.rows, h) for h in needed)
        else:  # what work has is not known yet
            lacks = pl.sum_horizontal(~_is_empty(batch.rows, h) for h in batch.rows.columns) <= _FEW
        few = batch.rows.select(lacks.arg_true()).to_series()
        if len(few):  # a title has few cells, whatever they hold
            cells = [~_is_empty(batch.rows, h) for h in batch.rows.columns if h not in (SHEET, SHEET_ROW)]
            few = few.filter(batch.rows[few].select(pl.sum_horizontal(cells) <= _MOST_FILLED).to_series())
        if not len(few):
            return batch
        lines = _lines_of(batch.rows[few], few, between=" ")
        is_title = self._are_titles(lines["line"])
        if self.is_cut:
            cut = _lines_of(batch.rows[few], few, between="")
            is_title |= (is_cut := self._are_titles(cut["line"]))
            lines = pl.concat([lines.filter(~is_cut), cut.filter(is_cut)]).sort("at")
            is_title = self._are_titles(lines["line"])
        if not is_below and not is_title.any():
            return batch
        first = 0 if is_below else lines["at"].filter(is_title)[0]
        is_note = is_title if self.fill_down else is_title | (lines["is_words"] & (lines["at"] > first))
        found = lines.filter(is_note)
        if not found.height:
            return batch
        is_note = pl.Series(np.isin(np.arange(batch.rows.height), found["at"].to_numpy()))
        return batch.without(
            is_note, pl.repeat("", batch.rows.height, eager=True).scatter(found["at"], found["line"]), "note_line"
        )

    def _are_titles(self, lines: pl.Series) -> pl.Series:
        return are_titles(lines) | pl.Series(
            [_told_title(line, self.told) is not None for line in lines], dtype=pl.Boolean
        )


def _lines_of(rows: pl.DataFrame, at: pl.Series, *, between: str) -> pl.DataFrame:
    """`line`: the words of rows that may be titles, without amounts; empty where there are too many cells, a number in
    one of several, or the words are not the first. `is_words`: words in one cell and nothing else; `at`."""
    cells = [h for h in rows.columns if h not in (SHEET, SHEET_ROW)]
    texts = rows.select(pl.col(h).cast(pl.String).str.strip_chars().replace("", None) for h in cells)
    words = texts.select(pl.when(~pl.col(h).str.contains(_AMOUNT)).then(pl.col(h)).alias(h) for h in cells)
    n_cells, n_words = (f.select(pl.sum_horizontal(pl.all().is_not_null())).to_series() for f in (texts, words))
    line = words.select(pl.concat_str(pl.all(), separator=between, ignore_nulls=True).alias("line")).to_series()
    has_digits = line.str.contains(r"\d")
    first = texts.select(pl.coalesce(pl.all())).to_series() == words.select(pl.coalesce(pl.all())).to_series()
    fits = (n_cells <= _MOST_FILLED) & ((n_words == 1) | ~has_digits) & first.fill_null(False)
    return pl.DataFrame({"line": line, "fits": fits, "is_words": (n_cells == 1) & (n_words == 1) & ~has_digits}).select(
        pl.when("fits").then("line").otherwise(pl.lit("")).alias("line"), "is_words", at=at
    )


@dataclass
class _State:
    """What holds at the end of a batch: the title, what came first below it (a row or a line), the sheet, the last
    row's group, and the group that the title ends with."""

    title: str | None = None
    first: str | None = None
    sheet: str | None = None
    group: object = None
    ends_with: object = None


@dataclass
class Sections(Around):
    """A source whose rows say in which section they stand; see `Source` and `Batch.section`.

    `around` are the names of what the file stands in, outermost first. With `told`, patterns of names, the names are a
    column too, and those that a pattern fits are names of sections whatever their words are. `group` is the heading of
    the patients, where their number stands on the first of their rows only. Lines that a pattern of `below` fits are
    about the row above them, and name no section.
    """

    file: str
    around: tuple[str, ...] = ()
    told: tuple[str, ...] | None = None
    group: str | None = None
    below: tuple[str, ...] = ()
    _base: str | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        # Of a folder or an archive all words must be known: folders are called by many things.
        outer = [name for name in self.around if named(name).is_whole or self._told_of((name,))]
        own = self._told_of((self.file, stem(self.file)))
        own = own or (self.file if named(stem(self.file)).words else None)
        self._base = own or next((n for n in reversed(outer) if named(n).words or self._told_of((n,))), None)

    def _told_of(self, forms: tuple[str, ...]) -> str | None:
        return told_name(forms, self.told or ())

    @property
    def added(self) -> Sequence[str]:
        """`(section)` where it is told."""
        return [SECTION] if self.told is not None else []

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        state = _State(title=self._above(self.spoken.above))
        for batch in self.source.batches(self.within(headings)):
            section = self._of(batch, state) if batch.section is None else batch.section
            found = replace(batch, section=section)
            if self.told is not None and (headings is None or SECTION in headings):
                told = pl.lit(None, pl.String) if section is None else section
                found = replace(found, rows=batch.rows.with_columns(told.alias(SECTION))).only(headings)
            yield found

    def _of(self, batch: Batch, state: _State) -> pl.Series | None:
        """The section of each row; None where none of them stands in one."""
        lines = [one for one in lines_between(batch.malformed, self.told or ()) if not is_below(one[1], self.below)]
        sheets = batch.rows[SHEET].cast(pl.String).to_list() if SHEET in batch.rows.columns else None
        groups = batch.rows[self.group].to_list() if self.group in batch.rows.columns else None
        names = dict.fromkeys(sheets or ())
        is_silent = state.title is None and self._base is None and not any(self._title(line) for _, line in lines)
        if is_silent and not any(self._sheet(sheet) or self._above(self.titles.get(sheet, ())) for sheet in names):
            state.sheet = next(reversed(names), state.sheet)
            state.group = groups[-1] if groups else state.group
            return None
        numbers = batch.numbers.to_numpy()
        found: list[str | None] = [None] * len(numbers)
        ends = [(int(np.searchsorted(numbers, number)), line) for number, line in lines]
        at = 0
        for end, line in [*ends, (len(numbers), None)]:
            self._fill(found, range(at, end), sheets, groups, state)
            at = end
            if line is None:
                continue
            title = self._title(line)
            if title or is_labelled(line):
                state.title, state.first, state.ends_with = title, None, None
            elif state.title is not None:
                state.title = None if state.first == "row" else state.title
                state.first = state.first or "line"
        return pl.Series(SECTION, found, dtype=pl.String) if any(found) else None

    def _fill(
        self,
        found: list[str | None],
        places: range,
        sheets: list[str] | None,
        groups: list[object] | None,
        state: _State,
    ) -> None:
        """The names for rows between which no line stands."""
        for n in places:
            sheet = sheets[n] if sheets else None
            if sheet != state.sheet:
                # A title without a row yet is that of the rows that come, on whatever sheet.
                if state.title is None or state.first is not None:
                    state.title = self._above(self.titles.get(sheet or "", ()))
                state.sheet, state.ends_with = sheet, None
            if groups is not None:
                if state.ends_with is not None and groups[n] != state.ends_with:
                    state.title = state.ends_with = None
                if state.title is not None and state.first is None and groups[n] == state.group:
                    state.ends_with = state.group
                state.group = groups[n]
            found[n] = state.title or self._sheet(sheet) or self._base
            state.first = state.first or "row"

    def _above(self, lines: Sequence[str]) -> str | None:
        return next((title for line in reversed(lines) if (title := self._title(line))), None)

    def _title(self, line: str) -> str | None:
        told = _told_title(line, self.told or ())
        return told or (bare_title(line) if titled(line).words else None)

    def _sheet(self, sheet: str | None) -> str | None:
        return sheet if sheet and (named(sheet).words or self._told_of((sheet,))) else None


def _told_title(line: str, told: tuple[str, ...]) -> str | None:
    return told_name((bare_title(line), line.strip()), told, is_line=True) if told else None


def lines_between(malformed: pl.DataFrame, told: tuple[str, ...] = ()) -> list[tuple[int, str]]:
    """Row number and text of the lines that may begin or end a section."""
    if not malformed.height:
        return []
    line = plain_line()
    is_note = (pl.col("reason") == "note_line") & ~line.str.contains(NOTE_LINE) | (pl.col("reason") == "group_line")
    named = [n for n in malformed.select(line.unique()).to_series() if _told_title(n, told)] if told else []
    is_title = pl.col("reason").is_in(["note_line", "malformed_line"]) & (may_be_titles(line) | line.is_in(named))
    is_title &= ~line.str.contains(_MANY_CELLS)
    reason = pl.col("reason").fill_null("malformed_line")
    lines = malformed.with_columns(reason).select(ROW, line=line, kept=is_note | is_title).filter("kept").sort(ROW)
    return [(int(number), text) for number, text in lines.select(ROW, "line").iter_rows()]


def _is_empty(rows: pl.DataFrame, heading: str) -> pl.Expr:
    column = pl.col(heading)
    return (
        (column.is_null() | (column.str.strip_chars() == "")) if rows.schema[heading] == pl.String else column.is_null()
    )


LINE_BELOW = "(line below)"
_ROWS_OF_TABLE = ("repeated_heading", "other_table", "sheet_not_read")
_BETWEEN = "; "


@dataclass
class LinesBelow(Around):
    """A source whose rows have the lines below them that a pattern of `told` fits; see `Source`."""

    told: tuple[str, ...]

    @property
    def added(self) -> Sequence[str]:
        """`(line below)`."""
        return [LINE_BELOW]

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`. A batch waits for the next one, whose first lines may be about its last row."""
        if headings is not None and LINE_BELOW not in headings:
            yield from self.source.batches(headings)
            return
        waiting: tuple[Batch, list[str | None]] | None = None
        for batch in self.source.batches(self.within(headings)):
            found: list[str | None] = [None] * batch.rows.height
            numbers = batch.numbers.to_numpy()
            for number, line in self._lines(batch.malformed):
                place = int(np.searchsorted(numbers, number)) - 1
                if place >= 0:
                    found[place] = _joined(found[place], line)
                elif waiting is not None and waiting[1]:
                    waiting[1][-1] = _joined(waiting[1][-1], line)
            if waiting is not None and batch.rows.height:
                yield _with_lines(*waiting, headings)
                waiting = None
            elif waiting is not None:  # only lines: they go out, and the row before them still waits
                yield _with_lines(batch, found, headings)
                continue
            waiting = batch, found
        if waiting is not None:
            yield _with_lines(*waiting, headings)

    def _lines(self, malformed: pl.DataFrame) -> list[tuple[int, str]]:
        is_line = ~pl.col("reason").fill_null("malformed_line").is_in(_ROWS_OF_TABLE)
        lines = malformed.filter(is_line).select(ROW, line=plain_line()).sort(ROW)
        return [(int(n), text) for n, text in lines.iter_rows() if is_below(text, self.told)]


def is_below(line: str, told: Sequence[str]) -> bool:
    """Whether a line is one of those told."""
    return any(fits(line, pattern) for pattern in told)


def _joined(before: str | None, line: str) -> str:
    return line if before is None else before + _BETWEEN + line


def _with_lines(batch: Batch, found: list[str | None], headings: Sequence[str] | None) -> Batch:
    return replace(batch, rows=batch.rows.with_columns(pl.Series(LINE_BELOW, found, dtype=pl.String))).only(headings)
