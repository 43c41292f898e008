"""One module per kind of source file: a file in, text rows out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from pipeline.errors import DataError
from pipeline.sources.csv_file import open_csv
from pipeline.sources.parquet_file import open_parquet
from pipeline.sources.source import Batch, ReadOptions, Source

__all__ = ["SOURCES", "Batch", "ReadOptions", "Source", "open_source"]

# How a file is read, by the end of its name.
SOURCES: dict[str, Callable[[Path, ReadOptions], Source]] = {
    ".csv": open_csv,
    ".tsv": open_csv,
    ".txt": open_csv,
    ".parquet": open_parquet,
}


def open_source(path: Path, options: ReadOptions) -> Source:
    """Open a file by the end of its name.

    Raises
    ------
    DataError
        If files of this kind cannot be read, or this one cannot.
    """
    if (opener := SOURCES.get(path.suffix.lower())) is None:
        raise DataError(
            f"{path.name}: files ending in {path.suffix or 'nothing'} cannot be read. "
            f"Save it as one of {', '.join(SOURCES)}."
        )
    return opener(path, options)
