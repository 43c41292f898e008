"""A DuckDB in memory to work with, which may touch no file but those that it is given."""

from collections.abc import Sequence
from pathlib import Path

import duckdb


def connect_memory(
    *, files: Sequence[Path] = (), scratch: Path | None = None, memory_limit: str = "200MB", threads: int = 2
) -> duckdb.DuckDBPyConnection:
    """Open a database in memory that loads no extension and whose settings cannot be changed afterwards.

    - `files`: The only files that its statements may name; none by default, and data are then registered.
    - `scratch`: Folder for what does not fit in memory; None forbids that, and a statement that needs it fails.
    - `memory_limit`, `threads`: What it may use at most.
    """
    connection = duckdb.connect(
        config={
            "autoinstall_known_extensions": "false",
            "autoload_known_extensions": "false",
            "allow_community_extensions": "false",
            "memory_limit": memory_limit,
            "threads": threads,
            "temp_directory": "" if scratch is None else str(scratch),
        }
    )
    connection.execute("SET allowed_paths = ?", [[str(path.resolve()) for path in files]])
    if scratch is not None:
        connection.execute("SET allowed_directories = ?", [[str(scratch)]])
    # Cannot be undone, and must come after the files are allowed.
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")
    return connection
