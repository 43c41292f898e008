"""One module per kind of source file: a file in, text rows out.

How a report is laid out beside that (`grouped`, `stacked`) is a source around a source, so each works on every kind.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.errors import DataError
from pipeline.sources.csv_file import open_csv
from pipeline.sources.excel_file import open_excel
from pipeline.sources.grouped import Grouped
from pipeline.sources.guarded import Guarded, reading
from pipeline.sources.json_rows import open_json
from pipeline.sources.made_columns import MadeColumns
from pipeline.sources.parquet_file import open_parquet
from pipeline.sources.plain_cells import PlainCells
from pipeline.sources.source import Batch, ReadOptions, Source
from pipeline.sources.stacked import Stacked
from pipeline.sources.x12 import SUFFIXES, begins_interchange, open_x12

__all__ = ["SOURCES", "Batch", "ReadOptions", "Source", "open_source", "reading"]


@dataclass(frozen=True)
class Reader:
    """How files of a kind are opened, and what reads them, in words for a message."""

    open: Callable[[Path, ReadOptions], Source]
    name: str


_TEXT, _WORKBOOK = Reader(open_csv, "the reader of text"), Reader(open_excel, "the reader of workbooks")
_JSON, _CLAIMS = Reader(open_json, "the reader of JSON"), Reader(open_x12, "the reader of claims (X12)")
# How a file is read, by the end of its name; claims (X12) under any other end are known by how they begin.
SOURCES: dict[str, Reader] = {
    **dict.fromkeys((".csv", ".tsv", ".txt", ".psv"), _TEXT),
    **dict.fromkeys((".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"), _WORKBOOK),
    **dict.fromkeys((".ndjson", ".jsonl", ".json"), _JSON),
    **dict.fromkeys(SUFFIXES, _CLAIMS),
    ".parquet": Reader(open_parquet, "the reader of Parquet"),
}
# Of these a compressed file can be read too.
ZIPPED = (".csv", ".tsv", ".txt", ".psv", ".ndjson", ".jsonl", ".json", *SUFFIXES)


def open_source(path: Path, options: ReadOptions) -> Source:
    """Open a file by the end of its name, or as claims if it begins as these do.

    Raises
    ------
    DataError
        If files of this kind cannot be read, or this one cannot.
    """
    reader = _reader(path)
    with reading(path.name, reader.name):
        return Guarded(_opened(path, options, reader), path.name, reader.name)


def _reader(path: Path) -> Reader:
    if begins_interchange(path):
        return _CLAIMS
    end = path.suffix.lower()
    if end == ".gz" and (inner := Path(path.stem).suffix.lower()) in ZIPPED:
        end = inner
    if (reader := SOURCES.get(end)) is None:
        raise DataError(
            f"{path.name}: files ending in {path.suffix or 'nothing'} cannot be read. "
            f"Save it as one of {', '.join(SOURCES)}."
        )
    return reader


def _opened(path: Path, options: ReadOptions, reader: Reader) -> Source:
    plain = replace(options, header_row=0) if options.stacked_tables else options
    source = _open_under_any_name(reader.open, path, plain) if options.renamed else reader.open(path, plain)
    if source.spoken.fields:
        return source
    watch = options.header_row != 0 and not options.stacked_tables
    source = PlainCells(source, path.name, watch=watch, renamed=options.renamed)
    if options.stacked_tables:
        source = Stacked(source, options.needed, path.name)
    if options.fill_down or options.group_lines:
        lacking = tuple(h for h in options.needed if h not in options.fill_down)
        source = Grouped(source, options.fill_down, options.group_lines, lacking, path.name)
    return MadeColumns(source, options.made, path.name) if options.made else source


def _open_under_any_name(opener: Callable[[Path, ReadOptions], Source], path: Path, options: ReadOptions) -> Source:
    """Open a file whose columns may be called otherwise: the names under which most of what is wanted is there."""
    other = {wanted: name for name, wanted in options.renamed.items()}
    ways = [options, replace(options, wanted=tuple(other.get(h.strip(), h) for h in options.wanted))]
    opened: list[Source] = []
    refused: list[DataError] = []
    for way in ways:
        try:
            opened.append(opener(path, way))
        except DataError as error:  # under these names nothing is found; said if under no other either
            refused.append(error)
    if not opened:
        raise refused[0]
    known = {*options.needed, *options.renamed}
    return max(opened, key=lambda source: len(known.intersection(source.headings)))
