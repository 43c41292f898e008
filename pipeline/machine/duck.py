"""A DuckDB that may touch no file but those that it is given."""

from collections.abc import Sequence
from pathlib import Path

import duckdb


def connect_closed(
    path: str = ":memory:",
    *,
    memory_limit: str,
    read_only: bool = False,
    files: Sequence[Path] = (),
    folders: Sequence[Path] = (),
    scratch: Path | None = None,
    **config: str | int,
) -> duckdb.DuckDBPyConnection:
    """Open a database that loads no extension and whose settings cannot be changed afterwards.

    - `path`: In memory unless it is given.
    - `files`, `folders`: The only files that its statements may name, beside those of `scratch`; else data are
      registered.
    - `scratch`: Folder for what does not fit in memory; None forbids that, and a statement that needs it fails.
    - `memory_limit`, `config`: What it may use at most, and other settings.
    """
    closed = dict.fromkeys(
        ("autoinstall_known_extensions", "autoload_known_extensions", "allow_community_extensions"), "false"
    )
    own = {"memory_limit": memory_limit, "temp_directory": "" if scratch is None else str(scratch)}
    connection = duckdb.connect(path, read_only=read_only, config={**closed, **own, **config})
    connection.execute("SET allowed_paths = ?", [[str(file.resolve()) for file in files]])
    if scratch is not None:
        connection.execute("SET allowed_directories = ?", [[str(folder) for folder in (scratch, *folders)]])
    # Cannot be undone, and must come after the files are allowed.
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")
    return connection
