"""Tables of cells found inside a file that is no workbook: each reads like a sheet, under a name of its own.

A page of the web, a spreadsheet or records written as XML, nested JSON, a database in one file and a dump of one are
all this: names of tables, and for each the rows of its cells as text, the headings in one of the first. What is known
of sheets (`sheets`, several of them, notes, headings again) then works on all of them.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.reading.sources.excel_safety import MAX_COLUMNS
from pipeline.reading.sources.row_looks import RowLooks
from pipeline.reading.sources.safe_path import cannot_open

# Files of these kinds are read whole, as objects of some ten times their size.
MAX_BYTES = 200_000_000
MAX_CELLS = 20_000_000
_MOST_TEXT = 1_000_000_000

Row = Sequence[str | None]


@dataclass
class FoundTables:
    """The tables of a file by name, in their order; the cells of each are made when they are asked for first."""

    path: Path
    loaders: Mapping[str, Callable[[], Iterable[Row]]]
    how: str  # what the file is, in words
    above: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # lines that stand above a table, by its name
    looks: RowLooks = field(default_factory=dict)  # what rows look like
    _read: dict[str, pl.DataFrame | None] = field(default_factory=dict, repr=False)

    @property
    def names(self) -> list[str]:
        """The names of all tables."""
        return list(self.loaders)

    def sheet(self, name: str) -> tuple[pl.DataFrame | None, bool]:
        """The cells of a table, None if it is empty; and that it is no hidden one. Raises DataError if it is larger
        than can be read."""
        if name not in self._read:
            self._read[name] = cells_frame(self.loaders[name](), file=self.path.name)
        return self._read[name], True

    @property
    def bytes_held(self) -> int:
        """Memory that its cells take."""
        return sum(int(cells.estimated_size()) for cells in self._read.values() if cells is not None)


def cells_frame(rows: Iterable[Row], *, file: str) -> pl.DataFrame | None:
    """Rows of any lengths as text columns named by their place from 1; blank cells null. None if nothing is there.
    Raises DataError if there are more columns or cells than any table has."""
    held: list[Row] = []
    width = cells = letters = 0
    for row in rows:
        held.append(row)
        width = max(width, len(row))
        cells += len(row) + 1
        letters += sum(len(cell) for cell in row if cell)
        if width > MAX_COLUMNS:
            raise DataError(f"{file}: a table has more than {MAX_COLUMNS:,} columns. Delete those that are not needed.")
        if cells > MAX_CELLS or letters > _MOST_TEXT:
            raise too_large(file)
    columns = {str(n + 1): [row[n] if n < len(row) else None for row in held] for n in range(width)}
    frame = pl.DataFrame(columns, schema=dict.fromkeys(columns, pl.String))
    if not width:
        return None
    text = pl.all().str.replace_all("\0", "\ufffd", literal=True).str.strip_chars()
    frame = frame.select(pl.when(text.str.len_bytes() > 0).then(text).name.keep())
    return None if all(frame[c].null_count() == frame.height for c in frame.columns) else frame


def records_as_rows(records: Sequence[Mapping[str, Any]]) -> Iterable[Row]:
    """Records with named fields as rows: first the names, in the order in which they are met."""
    names: dict[str, None] = {}
    for record in records:
        names.update(dict.fromkeys(record))
    yield list(names)
    for record in records:
        yield [record.get(name) for name in names]


def by_look(tables: Mapping[str, Mapping[str, Mapping[int, str]]]) -> RowLooks:
    """By look, then by table, what rows look like, of the same by table."""
    looks = dict.fromkeys(look for of in tables.values() for look in of)
    return {look: {name: of[look] for name, of in tables.items() if look in of} for look in looks}


def too_large(file: str) -> DataError:
    """What to say of a file that is not read whole."""
    return DataError(
        f"{file}: it holds more than {MAX_CELLS // 1_000_000} million cells, or more text than a table has, too "
        "much for a file of this kind.\n  Export it as CSV, or in several files."
    )


def read_whole(path: Path) -> bytes:
    """All bytes of a file of bounded size. Raises DataError if it is larger, empty, or cannot be read."""
    try:
        with path.open("rb") as stream:
            found = stream.read(MAX_BYTES + 1)
    except OSError as error:
        raise cannot_open(path) from error
    if not found.strip():
        raise DataError(f"{path.name}: the file is empty. Export it again, or leave it out.")
    if len(found) > MAX_BYTES:
        raise DataError(
            f"{path.name}: more than {MAX_BYTES // 1_000_000} MB of this kind are not read. Export it as CSV, or in "
            "several files."
        )
    return found


_MOST_DOWN = 1_000_000


@dataclass
class SpanRows:
    """Rows as they are built, cell by cell. A cell that reaches down stands in every row that it covers, for it is all
    of theirs; one that reaches across stands in its first column only. Nothing is made of a span but where rows are."""

    file: str
    rows: list[list[str]] = field(default_factory=list)
    _row: list[str] | None = None
    _below: dict[int, tuple[int, str]] = field(default_factory=dict)  # column: rows still covered, and the text
    _cells: int = 0

    def begin(self) -> None:
        """Begin a row."""
        self.end()
        self._row = []
        self._covered()

    def add(self, text: str, *, across: int = 1, down: int = 1, at: int | None = None) -> None:
        """Add a cell that covers so many columns and rows; `at` is its column, from 1, where the file says it. Raises
        DataError if the row has more columns than any table."""
        if self._row is None:
            self.begin()
        row = self._row
        assert row is not None
        self._covered()
        if at is not None:
            if at - 1 > MAX_COLUMNS:
                raise self._too_wide()
            row += [""] * (at - 1 - len(row))
        # What is claimed beyond any table is cut: the last cell of a title is often given a great span.
        across = max(1, min(across, MAX_COLUMNS - len(row))) if len(row) < MAX_COLUMNS else MAX_COLUMNS
        if len(row) + across > MAX_COLUMNS:
            raise self._too_wide()
        for n in range(across):
            if down > 1:
                self._below[len(row)] = min(down, _MOST_DOWN), text if n == 0 else ""
            row.append(text if n == 0 else "")

    def end(self) -> None:
        """End the row, if one is begun. Raises DataError if the table has more cells than can be read."""
        if self._row is None:
            return
        self._covered(to_end=True)
        while self._row and not self._row[-1]:
            self._row.pop()
        self.rows.append(self._row)
        self._cells += len(self._row) + 1
        if self._cells > MAX_CELLS:
            raise too_large(self.file)
        self._row = None
        self._below = {c: (n - 1, text) for c, (n, text) in self._below.items() if n > 1}

    def skip_to(self, row: int) -> None:
        """Add empty rows so that the next one is the row `row`, from 1, up to a bound that no gap exceeds."""
        self.end()
        self.rows += [[] for _ in range(min(row - 1 - len(self.rows), 10_000))]

    def _covered(self, *, to_end: bool = False) -> None:
        """What cells above put into the next columns of the row; to its end if all its own cells are there."""
        row = self._row
        assert row is not None
        fresh = {c for c, (n, _) in self._below.items() if c >= len(row)}
        for column in sorted(fresh):
            if column > len(row) and not to_end:
                return
            row += [""] * (column - len(row))
            row.append(self._below[column][1])

    def _too_wide(self) -> DataError:
        return DataError(f"{self.file}: a row has more than {MAX_COLUMNS:,} columns. Delete those that are not needed.")


def filled(rows: list[list[str]]) -> Iterator[list[str]]:
    """The rows without those in which nothing stands."""
    return (row for row in rows if any(cell.strip() for cell in row))
