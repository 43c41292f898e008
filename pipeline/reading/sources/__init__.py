"""One module per kind of source file: a file in, text rows out.

How a report is laid out beside that (`grouped`, `stacked`) is a source around a source, so each works on every kind.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.machine.errors import DataError
from pipeline.practice.table_settings import Join
from pipeline.reading.sources import kinds
from pipeline.reading.sources.archive import open_archive
from pipeline.reading.sources.by_amounts import ByAmounts
from pipeline.reading.sources.csv_file import open_csv
from pipeline.reading.sources.excel_book import TABLES_INSIDE
from pipeline.reading.sources.excel_file import open_excel
from pipeline.reading.sources.grouped import Grouped, NamedParts
from pipeline.reading.sources.guarded import Guarded, reading
from pipeline.reading.sources.joined import Joined, prefix
from pipeline.reading.sources.json_rows import open_json
from pipeline.reading.sources.likely_encoding import EncodingUnknownError
from pipeline.reading.sources.made_columns import MadeColumns
from pipeline.reading.sources.nested_records import holds_tables
from pipeline.reading.sources.parquet_file import open_parquet
from pipeline.reading.sources.plain_bytes import refuse_known_kind
from pipeline.reading.sources.plain_cells import PlainCells
from pipeline.reading.sources.record_lines import open_record_lines
from pipeline.reading.sources.repeated_columns import CellLists, RepeatedColumns
from pipeline.reading.sources.safe_path import refuse_irregular
from pipeline.reading.sources.sections import LinesBelow, Sections, TitleRows
from pipeline.reading.sources.source import Batch, ReadOptions, Source
from pipeline.reading.sources.stacked import Stacked, Transposed
from pipeline.reading.sources.x12.file import SUFFIXES, open_x12
from pipeline.reading.sources.x12.segments import begins_interchange

__all__ = ["SOURCES", "Batch", "ReadOptions", "Source", "has_sheets", "is_archive", "open_source", "reading"]


@dataclass(frozen=True)
class Reader:
    """How files of a kind are opened, and what reads them, in words for a message."""

    open: Callable[[Path, ReadOptions], Source]
    name: str


_TEXT, _WORKBOOK = Reader(open_csv, "the reader of text"), Reader(open_excel, "the reader of workbooks")
_TABLES = {kind: Reader(open_excel, f"the reader of tables in a {kind}") for kind in TABLES_INSIDE}
_JSON, _CLAIMS = Reader(open_json, "the reader of JSON"), Reader(open_x12, "the reader of claims (X12)")
_PARQUET = Reader(open_parquet, "the reader of Parquet")
_ARCHIVE = Reader(lambda path, options: open_archive(path, options, open_source), "the reader of archives")
# How a file is read, by the end of its name, where what it begins with does not say it.
SOURCES: dict[str, Reader] = {
    **dict.fromkeys((".csv", ".tsv", ".txt", ".psv"), _TEXT),
    **dict.fromkeys((".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"), _WORKBOOK),
    **dict.fromkeys((".ndjson", ".jsonl", ".json"), _JSON),
    **dict.fromkeys(SUFFIXES, _CLAIMS),
    ".parquet": _PARQUET,
}
_WORKBOOKS = tuple(end for end, reader in SOURCES.items() if reader is _WORKBOOK)
_LEDGER = "procedures"  # of its rows alone it matters whether they stand
_LIST = "patients"  # of a list beside it nothing but cells is wanted
# Of these a compressed file can be read too.
ZIPPED = (".csv", ".tsv", ".txt", ".psv", ".ndjson", ".jsonl", ".json", *SUFFIXES)


def open_source(path: Path, options: ReadOptions) -> Source:
    """Open a file by what it begins with and, where that does not tell, by the end of its name. Raises DataError if
    files of this kind cannot be read, or this one cannot."""
    refuse_irregular(path)
    reader = _reader(path)
    with reading(path.name, reader.name):
        return Guarded(_opened(path, options, reader), path.name, reader.name)


def has_sheets(path: Path) -> bool:
    """Whether a file is a workbook or holds several tables as one does, so that `sheets` may name them. Raises
    DataError as `open_source`."""
    reader = _reader(path)
    return reader.open is open_excel or (reader is _JSON and holds_tables(path))


def is_archive(path: Path) -> bool:
    """Whether a file holds other files. Raises as `open_source`."""
    return _reader(path) is _ARCHIVE


def _reader(path: Path) -> Reader:
    if begins_interchange(path):
        return _CLAIMS
    end, kind = path.suffix.lower(), kinds.kind_of(path)
    if end == ".gz" and (inner := Path(path.stem).suffix.lower()) in ZIPPED:
        return SOURCES[inner]
    if kind in (kinds.WORKBOOK, kinds.ARCHIVE):
        return _WORKBOOK if kind == kinds.WORKBOOK else _ARCHIVE
    if kind in _TABLES and kind != kinds.JSON:
        return _TABLES[kind]
    reader = SOURCES.get(end)
    if kind == kinds.JSON:
        return _JSON
    if kind == kinds.TEXT and (reader is None or end in _WORKBOOKS):
        return _TEXT
    if reader is None:
        refuse_known_kind(path)
        raise DataError(
            f"{path.name}: files ending in {path.suffix or 'nothing'} cannot be read. "
            f"Save it as one of {', '.join(SOURCES)}."
        )
    return reader


def _opened(path: Path, options: ReadOptions, reader: Reader) -> Source:
    if options.joined:
        return _opened_with_lists(path, options, reader)
    if reader is _ARCHIVE:
        return reader.open(path, options)  # each file in it is laid out by itself
    if options.record_lines:
        reader = replace(reader, open=open_record_lines)
    plain = replace(options, header_row=0) if options.stacked_tables or options.transposed else options
    source = _open_under_any_name(reader.open, path, plain) if options.renamed else reader.open(path, plain)
    if source.spoken.fields:
        return source
    watch = options.header_row != 0 and not (options.stacked_tables or options.transposed or options.record_lines)
    source = PlainCells(source, path.name, watch=watch, renamed=options.renamed, repeats=options.repeats)
    source = ByAmounts(source, options.amounts) if options.amounts else source
    if options.table == _LEDGER:
        source = TitleRows(
            source,
            options.required or options.needed,
            fill_down=bool(options.fill_down),
            is_cut=bool(options.fixed_width),
            told=(*(options.sections or ()), *(options.lines_below or ())),
        )
    if options.transposed:
        source = Transposed(source, path.name)
    if options.stacked_tables:
        source = Stacked(source, options.needed, path.name)
    if options.repeated_columns:
        source = RepeatedColumns(source, options.repeated_columns, path.name)
    if options.cell_lists:
        source = CellLists(source, options.cell_lists, path.name, options.fees)
    if options.sheet_name or options.file_name:
        source = NamedParts(source, options.sheet_name, options.file_name, path.name)
    if options.fill_down or options.group_lines:
        needed, required = (
            tuple(h for h in told if h not in options.fill_down)
            for told in (options.needed, options.required or options.needed)
        )
        source = Grouped(source, options.fill_down, options.group_lines, needed, path.name, required)
    source = MadeColumns(source, options.made, path.name) if options.made else source
    if options.table != _LEDGER:
        return source
    below = options.lines_below
    return Sections(
        source if below is None else LinesBelow(source, below),
        path.name,
        _around(path, options),
        options.sections,
        options.fill_down[0] if options.fill_down else None,
        below or (),
    )


def _opened_with_lists(path: Path, options: ReadOptions, reader: Reader) -> Source:
    """A ledger with the columns of lists beside it, of whose headings it has none itself."""
    of_lists = tuple(prefix(join) for join in options.joined)
    own = {
        name: tuple(h for h in told if not h.strip().startswith(of_lists))
        for name, told in (("wanted", options.wanted), ("required", options.required))
    }
    keys = tuple(join.on for join in options.joined if not join.on.startswith(of_lists))
    wanted = tuple(dict.fromkeys((*own["wanted"], *keys)))
    later = tuple(one for one in options.made if any(h.startswith(of_lists) for h in one.headings))
    made = tuple(one for one in options.made if one not in later)
    inner = replace(options, joined=(), wanted=wanted, required=own["required"], made=made)
    source = _opened(path, inner, reader)

    def opened(join: Join) -> Source:
        sheets = (join.sheet,) if join.sheet else ()
        told = ReadOptions(table=_LIST, wanted=(join.key,), sheets=sheets)
        try:
            return open_source(Path(join.file), told)
        except EncodingUnknownError:  # a short list shows it less than the table whose encoding is told
            return open_source(Path(join.file), replace(told, encoding=options.encoding))

    joined = Joined(source, options.joined, path.name, opened)
    return MadeColumns(joined, later, path.name) if later else joined


def _around(path: Path, options: ReadOptions) -> tuple[str, ...]:
    """The names of what a file stands in: an archive and folders in it, or folders below that of the TOML."""
    folder = path.absolute().parent
    if options.within or options.folder is None or not folder.is_relative_to(options.folder):
        return options.within
    return folder.relative_to(options.folder).parts


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
