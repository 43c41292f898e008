"""Patients whose number was given up for another one: what a list of patients says of it, from all its files."""

import dataclasses
from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.counts import count
from pipeline.practice.settings import Settings
from pipeline.reading.config import matching_files
from pipeline.reading.doubts.answers import answers_for
from pipeline.reading.doubts.cells import text_of
from pipeline.reading.mended_files import read_options
from pipeline.reading.sources import open_source
from pipeline.reading.sources.mapping import resolve_columns
from pipeline.reading.sources.source import refuse_absent

_FOUND: dict[tuple[object, ...], dict[str, str]] = {}


def merged_patients(settings: Settings) -> Mapping[str, str]:
    """Numbers that were given up, each with the one that stands for it now, written as the files' numbers are read.

    Empty where no table names `merged_into`. Read once for the same files and settings.

    Raises
    ------
    DataError
        If a file has no such column, or numbers were given up for one another in a circle.
    """
    tables = [name for name, told in settings.tables.items() if told.merged_into]
    if not tables:
        return {}
    files = [(name, path, path.stat()) for name in tables for path in matching_files(settings, name)]
    key = (
        *((name, str(path), stat.st_mtime_ns, stat.st_size) for name, path, stat in files),
        repr([settings.tables[name] for name in tables]),
        settings.practice.patient_ids,
        settings.practice.numbering,
    )
    if key not in _FOUND:
        pairs = [_pairs(settings, name, path) for name, path, _ in files]
        _FOUND[key] = _settled(pl.concat(pairs), ", ".join(path.name for _, path, _ in files))
    return _FOUND[key]


def _pairs(settings: Settings, name: str, path: Path) -> pl.DataFrame:
    told = settings.tables[name]
    heading = told.merged_into or ""
    source = open_source(path, read_options(told, settings))
    columns = resolve_columns(source.headings, {} if source.spoken.fields else told.columns, table=name, file=path.name)
    refuse_absent([heading], source.headings, f"[tables.{name}] merged_into", file=path.name)
    answers = answers_for(settings, name, columns, source.headings, file=path.name, of=path.name)
    into = dataclasses.replace(answers, columns={**columns, "patient_id": heading})
    found = [pl.DataFrame(schema={"old": pl.String(), "new": pl.String()})]
    for batch in source.batches([*dict.fromkeys([*answers.patient_headings(), heading])]):
        filled = text_of(batch.rows, heading)
        pair = pl.DataFrame({"old": answers.ids(batch.rows), "new": into.ids(batch.rows)})
        found.append(pair.filter((filled != "").fill_null(False) & (filled != "0")).drop_nulls())
    return pl.concat(found).unique().filter(pl.col("old") != pl.col("new"))


def _settled(pairs: pl.DataFrame, files: str) -> dict[str, str]:
    """Each number with the last one of its chain."""
    several = pairs.group_by("old").len().filter(pl.col("len") > 1).height
    if several:
        raise DataError(
            f"{files}: {count(several, 'patient', 'was')} merged into several others each. Correct the list, so that "
            "each is merged into one."
        )
    into = dict(pairs.select("old", "new").iter_rows())
    settled = {}
    for old, first in into.items():
        new, seen = first, {old}
        while new in into and new not in seen:
            seen.add(new)
            new = into[new]
        if new in seen:
            raise DataError(
                f"{files}: some patients were merged into one another in a circle ({len(seen):,} numbers). Correct the "
                "list, so that one of them stands for the others."
            )
        settled[old] = new
    return settled
