"""The tables of a database kept in one file by SQLite: read only, its views and programs left alone."""

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pipeline.machine.errors import DataError
from pipeline.reading.sources.found_tables import FoundTables, Row

MAGIC = b"SQLite format 3\0"
_LONGEST_TEXT = 1_000_000
_STEPS, _MOST_CALLS = 1_000_000, 20_000  # of the database's own machine: far more than any plain reading takes


def open_database(path: Path) -> FoundTables:
    """The tables of the database in their order by name. Raises DataError if it is damaged, or has changes that lie in
    a file beside it."""
    for beside in ("-wal", "-journal"):
        other = path.with_name(path.name + beside)
        if other.exists() and other.stat().st_size:
            raise DataError(
                f"{path.name}: its latest changes lie in {other.name} beside it. Close the program that uses it, copy "
                "the file anew and name that."
            )
    with _opened(path) as database:
        names = [str(name) for (name,) in _asked(database, _TABLES, path)]
    if not names:
        raise DataError(f"{path.name}: this database has no table. Export the data as CSV instead.")
    loaders = {name: (lambda name=name: _rows(path, name)) for name in names}
    return FoundTables(path, loaders, "a table of a database")


_TABLES = (
    "select name from sqlite_master where type = 'table' and name not like 'sqlite\\_%' escape '\\' "
    "and sql not like 'create virtual%' order by name"
)


def _rows(path: Path, table: str) -> Iterator[Row]:
    with _opened(path) as database:
        escaped = table.replace('"', '""')
        # Columns that are computed are left out: what computes them came with the file.
        info = _asked(database, f'pragma table_xinfo("{escaped}")', path)
        columns = [str(column[1]) for column in info if column[6] == 0]
        yield columns
        quoted = ['"' + c.replace('"', '""') + '"' for c in columns]
        # Pictures are never taken out of the file.
        named = ", ".join(f"case when typeof({c}) = 'blob' then null else {c} end" for c in quoted)
        yield from ([_text(v) for v in row] for row in _asked(database, f'select {named} from "{escaped}"', path))  # noqa: S608


def _opened(path: Path) -> closing[sqlite3.Connection]:
    try:
        database = sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro&immutable=1", uri=True)
        database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST_TEXT)
        database.execute("pragma trusted_schema = off")
    except sqlite3.Error as error:
        raise _damaged(path) from error
    database.text_factory = lambda raw: raw.decode(errors="replace")
    calls = 0

    def fence() -> int:
        nonlocal calls
        calls += 1
        return int(calls > _MOST_CALLS)

    database.set_progress_handler(fence, _STEPS)
    return closing(database)


def _asked(database: sqlite3.Connection, question: str, path: Path) -> Iterable[Any]:
    try:
        yield from database.execute(question)
    except sqlite3.Error as error:
        if "too big" in str(error):
            raise DataError(
                f"{path.name}: a table holds a text of more than {_LONGEST_TEXT // 1_000_000} MB. Export the table of "
                "procedures as CSV instead."
            ) from error
        raise _damaged(path) from error


def _damaged(path: Path) -> DataError:
    return DataError(
        f"{path.name}: this database is damaged, locked with a password, or was copied while it was in use. Close the "
        "program that uses it and copy it again, or export the data as CSV."
    )


def _text(value: Any) -> str | None:
    if value is None or isinstance(value, bytes):
        return None  # a picture or the like
    return str(value)
