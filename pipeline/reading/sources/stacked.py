"""Several tables one below the other, in one sheet or file, each with headings of its own.

A line that holds all the headings that are mapped begins a table, whatever their order and whatever else it holds. A
line that holds some of them only, or words alone where the headings before held words, begins another table: its rows
are set aside. Everything above the first headings is a note.
"""

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.reading.headings import are_headings
from pipeline.reading.sources.excel_safety import MAX_COLUMNS
from pipeline.reading.sources.source import (
    MALFORMED_SCHEMA,
    ROW,
    SHEET,
    SHEET_LINE,
    SHEET_ROW,
    Around,
    Batch,
    aside,
    unique_headings,
)
from pipeline.reading.sources.text_notes import NOTE_LINE

_BATCH_ROWS = 20_000
_FEW = 2


@dataclass
class Stacked(Around):
    """The tables of a source that was opened without headings; see `pipeline.reading.sources.source.Source`. `needed`
    are the headings that a table must have to be read."""

    needed: tuple[str, ...]
    file: str
    _headings: list[str] = field(default_factory=list, init=False)
    _tables: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        """Find all headings, in one reading of the file."""
        found: dict[str, None] = {}
        for _, cells, _ in self._lines():
            if self._begins(cells):
                found |= dict.fromkeys(name for name in _names(cells) if name)
                self._tables += 1
        if not found:
            raise DataError(
                f"{self.file}: stacked_tables = true, and no line of it has all of these headings: "
                f"{', '.join(self.needed)}.\n  Correct the columns in the TOML, or take stacked_tables out."
            )
        extra = [h for h in (SHEET, SHEET_ROW) if h in self.source.headings]
        self._headings = [*found, *extra]

    @property
    def headings(self) -> Sequence[str]:
        """Those of all tables that are read."""
        return self._headings

    def done(self) -> Sequence[str | None]:
        """How many tables were found."""
        return [f"{self._tables:,} tables of these headings were found"]

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        wanted = self._headings if headings is None else list(headings)
        rows: list[tuple[int, dict[str, str]]] = []
        odd: list[tuple[int, str, str]] = []
        names: list[str] | None = None  # headings of the table that the line is in; None: above all of them
        ours, after_gap = False, True
        for number, cells, place in self._lines():
            filled = [c for c in cells if c.strip()]
            text = " ".join(c.strip() for c in filled)
            if self._begins(cells):
                odd.append((number, text, "repeated_heading"))
                names, ours = _names(cells), True
            elif not filled:
                odd.append((number, text, "row_empty"))
            elif len(filled) < _FEW or names is None or _is_note(text):
                odd.append((number, text, "note_line"))
            elif self._begins_other(filled, after_gap=after_gap):
                odd.append((number, text, "repeated_heading"))
                ours = False
            elif not ours:
                odd.append((number, text, "other_table"))
            elif any(c.strip() for c in cells[len(names) :]):
                odd.append((number, text, "malformed_line"))
            else:
                rows.append((number, {n: c for n, c in zip(names, cells, strict=False) if n} | place))
            after_gap = len(filled) < _FEW or _is_note(text)
            if len(rows) + len(odd) >= _BATCH_ROWS:
                yield _batch(rows, odd, wanted)
                rows, odd = [], []
        yield _batch(rows, odd, wanted)

    def _begins(self, cells: Sequence[str]) -> bool:
        return set(self.needed) <= {c.strip() for c in cells}

    def _begins_other(self, filled: Sequence[str], *, after_gap: bool) -> bool:
        """Known headings, or words alone below a gap: a row of work has a date."""
        has_digit = any(c.isdigit() for text in filled for c in text)
        return (after_gap and not has_digit) or are_headings([text.strip() for text in filled])

    def _lines(self) -> Iterator[tuple[int, list[str], dict[str, str]]]:
        """Row number, cells and place in the workbook of every line."""
        for batch in self.source.batches():
            places = [h for h in (SHEET, SHEET_ROW) if h in batch.rows.columns]
            plain = batch.rows.drop(places).cast(pl.String).fill_null("")
            where = batch.rows.select(places).rows(named=True) if places else [{}] * batch.rows.height
            lines = [
                (number, list(cells), place)
                for number, cells, place in zip(batch.numbers, plain.rows(), where, strict=True)
            ]
            texts = batch.malformed["raw_row"].str.replace(SHEET_LINE, "")
            lines += [
                (number, next(csv.reader([text or ""], delimiter=self.delimiter), []), {})
                for number, text in zip(batch.malformed[ROW], texts, strict=True)
            ]
            yield from sorted(lines, key=lambda line: line[0])


def _names(cells: Sequence[str]) -> list[str]:
    """What the columns of a table are called, each once; empty for a column without a heading."""
    return [name if cell.strip() else "" for name, cell in zip(unique_headings(cells), cells, strict=True)]


def _is_note(text: str) -> bool:
    return bool(pl.Series([text]).str.contains(NOTE_LINE)[0])


def _batch(rows: list[tuple[int, dict[str, str]]], odd: list[tuple[int, str, str]], wanted: list[str]) -> Batch:
    numbers = pl.Series("row_number", [n for n, _ in rows], dtype=pl.Int64)
    frame = pl.DataFrame({h: pl.Series(h, [row.get(h) for _, row in rows], dtype=pl.String) for h in wanted})
    at, texts, reasons = zip(*odd, strict=True) if odd else ((), (), ())
    return Batch(numbers, frame, aside(at, texts, pl.Series(reasons, dtype=pl.String)))


@dataclass
class Transposed(Around):
    """The records of a source that was opened without headings; see `pipeline.reading.sources.source.Source`. Row 1 is
    the first column behind the names."""

    file: str
    _lines: list[list[str | None]] = field(default_factory=list, init=False)
    _aside: list[pl.DataFrame] = field(default_factory=list, init=False)

    def __post_init__(self) -> None:
        """Read the whole file, which is no longer than any table is wide."""
        for batch in self.source.batches():
            rows = batch.rows.select(pl.all().exclude(SHEET, SHEET_ROW).cast(pl.String))
            self._lines += [list(row) for row in rows.rows() if any((c or "").strip() for c in row)]
            self._aside.append(batch.malformed)
            if len(self._lines) > MAX_COLUMNS:
                raise DataError(
                    f"{self.file}: transposed = true, and it has more than {MAX_COLUMNS:,} lines, which would be as "
                    "many fields. Take it out of the TOML."
                )
        if not self._lines:
            raise DataError(f"{self.file}: nothing is in it that could be turned. Take transposed out of the TOML.")

    @property
    def headings(self) -> Sequence[str]:
        """What the lines begin with."""
        return unique_headings([line[0] or "" for line in self._lines])

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        columns = {
            h: pl.Series(h, line[1:], dtype=pl.String) for h, line in zip(self.headings, self._lines, strict=True)
        }
        rows = pl.DataFrame(columns)
        numbers = pl.int_range(1, rows.height + 1, dtype=pl.Int64, eager=True)
        some = ~rows.select(pl.all_horizontal(pl.all().str.strip_chars().fill_null("") == "")).to_series()
        aside = pl.concat([pl.DataFrame(schema=MALFORMED_SCHEMA), *self._aside])
        aside = aside.with_columns(pl.col("row_number") + rows.height)
        yield Batch(numbers.filter(some), rows.filter(some), aside).only(headings)
