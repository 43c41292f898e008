"""One module per kind of source file: a file in, text rows out.

How a report is laid out beside that (`grouped`, `stacked`) is a source around a source, so each works on every kind.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from pipeline.errors import DataError
from pipeline.sources.csv_file import open_csv
from pipeline.sources.excel_file import open_excel
from pipeline.sources.grouped import Grouped
from pipeline.sources.json_rows import open_json
from pipeline.sources.parquet_file import open_parquet
from pipeline.sources.plain_cells import PlainCells
from pipeline.sources.source import Batch, ReadOptions, Source
from pipeline.sources.stacked import Stacked
from pipeline.sources.x12 import SUFFIXES, open_x12

__all__ = ["SOURCES", "Batch", "ReadOptions", "Source", "open_source"]

# How a file is read, by the end of its name.
SOURCES: dict[str, Callable[[Path, ReadOptions], Source]] = {
    **dict.fromkeys((".csv", ".tsv", ".txt", ".psv"), open_csv),
    **dict.fromkeys((".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"), open_excel),
    **dict.fromkeys((".ndjson", ".jsonl", ".json"), open_json),
    **dict.fromkeys(SUFFIXES, open_x12),
    ".parquet": open_parquet,
}
# Of these a compressed file can be read too.
ZIPPED = (".csv", ".tsv", ".txt", ".psv", ".ndjson", ".jsonl", ".json", *SUFFIXES)


def open_source(path: Path, options: ReadOptions) -> Source:
    """Open a file by the end of its name.

    Raises
    ------
    DataError
        If files of this kind cannot be read, or this one cannot.
    """
    end = path.suffix.lower()
    if end == ".gz" and (inner := Path(path.stem).suffix.lower()) in ZIPPED:
        end = inner
    if (opener := SOURCES.get(end)) is None:
        raise DataError(
            f"{path.name}: files ending in {path.suffix or 'nothing'} cannot be read. "
            f"Save it as one of {', '.join(SOURCES)}."
        )
    plain = replace(options, header_row=0) if options.stacked_tables else options
    source = _open_under_any_name(opener, path, plain) if options.renamed else opener(path, plain)
    if source.spoken.fields:
        return source
    watch = options.header_row != 0 and not options.stacked_tables
    source = PlainCells(source, path.name, watch=watch, renamed=options.renamed)
    if options.stacked_tables:
        source = Stacked(source, options.needed, path.name)
    if options.fill_down or options.group_lines:
        lacking = tuple(h for h in options.needed if h not in options.fill_down)
        source = Grouped(source, options.fill_down, options.group_lines, lacking, path.name)
    return source


def _open_under_any_name(opener: Callable[[Path, ReadOptions], Source], path: Path, options: ReadOptions) -> Source:
    """Open a file whose columns may be called otherwise: the names under which most of what is wanted is there."""
    other = {wanted: name for name, wanted in options.renamed.items()}
    ways = [options, replace(options, wanted=tuple(other.get(h.strip(), h) for h in options.wanted))]
    opened: list[Source] = []
    for way in ways:
        try:
            opened.append(opener(path, way))
        except DataError:  # under these names nothing is found; said below if under no other either
            continue
    if not opened:
        return opener(path, options)
    known = {*options.needed, *options.renamed}
    return max(opened, key=lambda source: len(known.intersection(source.headings)))
