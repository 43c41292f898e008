"""Files that lie beside those that are read: lists of what was taken back, and of old numbers with new ones."""

import csv
import os
import re
from collections.abc import Iterable, Iterator
from math import inf
from pathlib import Path

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.reading.sources.kinds import TEXT, kind_of
from pipeline.reading.sources.standing_names import VOID, named

_TEXTS, _OTHERS = (".csv", ".tsv", ".txt", ".psv"), (".xlsx", ".xlsm", ".parquet", ".json", ".jsonl", ".xml", ".html")
_BOOKS = (".xlsx", ".xlsm")
_OURS = "holds-patient-data"  # rows that were set aside, written out
_FIRST_BYTES, _FIRST_ROWS = 8_192, 1_000
_MOST_BYTES, _MOST_COLUMNS = 5_000_000, 6
# Of these a list of what was deleted says nothing of work.
_NO_WORK = re.compile(r"(?i)appointment|appt|termin|rendez|cita|patient|pazient|pacient|recall|claim|payment|user")


def taken_back_beside(read: Iterable[Path]) -> list[tuple[Path, tuple[str, ...]]]:
    """Such files of the folders of those that are `read`, by name, with their first line cut into headings; of a file
    that is no text the headings are not looked at."""
    return [
        (path, _headings(path) if path.suffix.lower() in _TEXTS else ())
        for path in _beside(read, (*_TEXTS, *_OTHERS))
        if not _NO_WORK.search(path.stem) and (said := named(path.name)).words and said.word == VOID
    ]


def pairs_beside(read: Iterable[Path]) -> Iterator[tuple[Path, pl.DataFrame]]:
    """Small texts of few columns that lie beside the files that are `read`, each as text under its headings."""
    for path in _beside(read, _TEXTS, most=_MOST_BYTES):
        text = path.read_bytes().decode("utf-8-sig", errors="replace")
        headings = _headings(path)
        sign = next((s for s in ",;\t|" if len(text.partition("\n")[0].split(s)) == len(headings)), ",")
        if not 2 <= len(headings) <= _MOST_COLUMNS or len(set(headings)) < len(headings):
            continue
        rows = [row for row in csv.reader(text.splitlines()[1:], delimiter=sign) if len(row) == len(headings)]
        if rows:
            yield path, pl.DataFrame(rows, schema=dict.fromkeys(headings, pl.String()), orient="row")


def tables_beside(read: Iterable[Path]) -> Iterator[tuple[Path, pl.DataFrame]]:
    """The first rows, as text, of small texts and workbooks that lie beside the files that are `read`."""
    from pipeline.reading.sources import ReadOptions, open_source  # it opens files by all the kinds that are known

    for path in _beside(read, (*_TEXTS, *_BOOKS), most=_MOST_BYTES):
        if _OURS in path.name:
            continue
        try:
            batch = next(iter(open_source(path, ReadOptions(table="patients")).batches()), None)
        except DataError:
            continue
        if batch is not None and batch.rows.height:
            rows = batch.rows.select(pl.all().exclude(r"^\(.*\)$")).head(_FIRST_ROWS)
            yield path, rows.select(pl.all().cast(pl.String).str.strip_chars().replace("", None))


def _beside(read: Iterable[Path], endings: tuple[str, ...], *, most: float = inf) -> Iterator[Path]:
    """Files of at most so many bytes with one of these endings in the folders of those that are `read`, by name."""
    paths = {path.resolve() for path in read}
    for path in (path for folder in sorted({path.parent for path in paths}) for path in sorted(folder.iterdir())):
        is_one = path.suffix.lower() in endings and path.is_file() and not path.is_symlink()
        if is_one and path.resolve() not in paths and path.stat().st_size <= most:
            yield path


def ends_a_line(path: Path) -> bool | None:
    """Whether a text ends with the end of a line; None of an empty file, and of what is no text."""
    if path.stat().st_size < 2 or kind_of(path) != TEXT:
        return None
    with path.open("rb") as file:
        file.seek(-2, os.SEEK_END)
        return not set(b"\r\n").isdisjoint(file.read())


def _headings(path: Path) -> tuple[str, ...]:
    with path.open("rb") as file:
        first = file.read(_FIRST_BYTES).decode("utf-8-sig", errors="replace")
    line = next((line for line in first.splitlines() if line.strip()), "")
    return tuple(piece.strip(" \"'") for piece in re.split(r"[,;\t|]", line) if piece.strip(" \"'"))
