"""Tables of cells found inside a file that is no workbook: each reads like a sheet, under a name of its own.

A page of the web, a spreadsheet or records written as XML, nested JSON, a database in one file and a dump of one are
all this: names of tables, and for each the rows of its cells as text, the headings in one of the first. What is known
of sheets (`sheets`, several of them, notes, headings again) then works on all of them.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
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
