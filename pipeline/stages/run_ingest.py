"""The reading stage and what it set aside; loads no statistics, so that it starts at once."""

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.reasons import REASONS
from pipeline.practice.settings import Settings
from pipeline.reading.mended_files import open_files
from pipeline.reading.set_aside import SETTLED, write_set_aside
from pipeline.stages.ingest import ingest
from pipeline.storing.store import open_store

Say = Callable[[str], None]


def ingest_stage(settings: Settings, *, today: dt.date, say: Say, keep_ids: bool = False) -> Path:
    """Read the practice's files into its database; returns the database's path."""
    report = ingest(settings, today=today, say=say, keep_ids=keep_ids)
    say(
        f"{count(report.rows_read, 'row')} read = {report.loaded:,} loaded + "
        f"{report.duplicate:,} duplicate + {report.reversed:,} taken back + "
        f"{report.quarantined:,} set aside"
    )
    return settings.practice.database


def set_aside_stage(settings: Settings, out: Path, *, say: Say) -> list[Path]:
    """Write the rows that are set aside to files to be mended; returns the files."""
    with open_store(settings.practice.database, read_only=True, must_exist=True) as store:
        rows = store.mended.rows_set_aside()
    originals = {digest: source for name in settings.tables for digest, source in open_files(settings, name).items()}
    written = write_set_aside(rows, out, REASONS, originals=originals)
    open_rows = rows.filter(~pl.col("reason").is_in(SETTLED))
    if gone := open_rows.filter(~pl.col("hash").is_in(list(originals))).height:
        say(f"{count(gone, 'row', 'is')} of files that are not listed any more, and were left out")
    return written
