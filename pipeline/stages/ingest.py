"""The ingest stage: a practice's files into the database, every row accounted for.

Files that were read before under the same settings are left alone. If the settings that decide how a table is read
have changed since, its files are read again and their rows replaced, so that editing the TOML and running again does
what one expects. All of it is one transaction.
"""

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import polars as pl

from pipeline.machine.clock import check_clock, clock_doubt
from pipeline.machine.errors import DataError
from pipeline.machine.faults import need_room
from pipeline.machine.in_turn import InTurn
from pipeline.machine.progress import Progress
from pipeline.notes.hold import hold_notes, reader_of
from pipeline.practice.counts import count
from pipeline.practice.pseudonyms import KEPT, NAMING, Pseudonyms, choose, key_path
from pipeline.practice.read_tables import STORED_LOADS
from pipeline.practice.reasons import REASONS
from pipeline.practice.settings import Settings
from pipeline.practice.tables import CLAIMS, INPUT_TABLES, LOADS, NOTES, PATIENTS, PROCEDURES, Table
from pipeline.reading.column_forms import column_forms, proves_comma, reading_of
from pipeline.reading.config import code_table, matching_files
from pipeline.reading.doubts import Seen, find_doubts, refuse_doubts
from pipeline.reading.doubts.look import OfTable, seen_of
from pipeline.reading.doubts.other_numbers import merged_patients
from pipeline.reading.files_to_read import FileToRead, files_to_read, fingerprint
from pipeline.reading.mended_files import open_files, read_options
from pipeline.reading.read_file import FileRead, in_bulk
from pipeline.reading.set_aside import SETTLED, MendedFile, write_set_aside
from pipeline.reading.sources import Source, open_source
from pipeline.reading.sources.mapping import resolve_columns
from pipeline.reading.sources.safe_path import refuse_outside
from pipeline.stages.control_totals import codes_counted, refuse_other_totals, totals_told
from pipeline.storing.appending import Appending
from pipeline.storing.own_tables import FIELD_NOTES
from pipeline.storing.store import Store, open_store
from pipeline.transforms.cell_forms import read_by_form
from pipeline.transforms.claims import taken_back
from pipeline.transforms.clean import NOTE_SCHEMA, Caches
from pipeline.transforms.corrections import find_corrections, superseded
from pipeline.transforms.deduplicate import SOURCE_KEYS, deduplicate, keyed_changes, unite_listed

Say = Callable[[str], None]
BYTES_STORED = 0.8  # in the database and while it is filled, for a byte of a file; measured: 0.45 once it is filled


@dataclass(frozen=True)
class IngestReport:
    """What the stage did: rows of every file that the database rests on now, and how many files were read this time.

    rows_read = loaded + duplicate (there already) + reversed (of claims taken back) + quarantined (set aside).
    """

    rows_read: int
    loaded: int
    duplicate: int
    reversed: int
    quarantined: int
    files_read: int
    files_unchanged: int


def ingest(settings: Settings, *, today: dt.date, say: Say, keep_ids: bool = False) -> IngestReport:
    """Read every file of PRACTICE.toml that is new or is to be read anew into the database.

    - `today`: Work on a later day cannot have been done.
    - `say`: Gets the progress, a line at a time; no patient value is in it.
    - `keep_ids`: Store patients as the practice names them, not under pseudonyms.

    Raises ConfigError if a pattern matches no file, or something in the files can be meant in two ways and is not told.
    Raises DataError if a file cannot be read as told, or the database is in use. The database is then as it was.
    """
    files = {
        name: [*matching_files(settings, name), *matching_files(settings, name, corrected=True)]
        for name in settings.tables
    }
    for path in dict.fromkeys(path for paths in files.values() for path in paths):
        refuse_outside(path, settings.path.parent)
    codes = code_table(settings)
    practice = settings.practice
    with open_store(practice.database, bulk=True, memory_mb=settings.machine.memory_mb) as store:
        naming = store.text(NAMING) or (KEPT if store.read(STORED_LOADS).height else None)
        pseudonyms, naming = choose(
            naming, keep_ids=keep_ids, path=key_path(practice.database, practice.key_file), say=say
        )
        loading = _Loading(store, settings, codes, pseudonyms, today, say)
        read = {name: loading.files(name, paths) for name, paths in files.items()}
        size = sum(file.path.stat().st_size for fresh in read.values() for file in fresh)
        full = f"{store.path.name}: the disk is full: these files need"
        need_room(size * BYTES_STORED, store.path.parent, what=full, instead="Make room and run again")
        loading.progress = Progress("reading", size, say, quick=2.0)
        # The rows of new ledgers are stored ahead: what hangs on them, and with it that they are there at all, follows
        # in one transaction. Rows taken out in the transaction that brought them would all be written anew.
        ahead = [file for file in read.get(PROCEDURES.name, ()) if not file.again]
        try:
            told = loading.read(PROCEDURES, ahead, is_ahead=True)
            with store.transaction():
                store.save_text(NAMING, naming)
                for name, fresh in read.items():
                    told |= loading.read(INPUT_TABLES[name], [file for file in fresh if file.load_id not in told])
                with InTurn() as beside:
                    beside.do(partial(loading.settle, read, told))
                    loading.refuse_doubts(files)
                # Where nothing is new there is nothing to show, and only what the practice tells may have changed.
                if any(read.values()) or settings.control_totals:
                    totals = store.totals_by_year(codes_counted(codes))
                    refuse_other_totals(totals, settings.control_totals)
                if any(read.values()) or not store.is_done("ingest"):
                    store.clear_set_aside()
                    hold_notes(store, settings, codes, say=say)
                    store.mark_done("ingest")
        finally:
            store.drop_unaccounted()
        loads = store.read(LOADS).sort("load_id")
        latest = store.latest_year()
    if doubt := clock_doubt(latest, today=today):
        say(doubt)
    for of in loads.iter_rows(named=True):
        say(
            f"{of['table_name']}: {of['file']}: {count(of['rows_read'], 'row')} read = {of['loaded']:,} loaded + "
            f"{of['duplicate']:,} there already + {of['reversed']:,} taken back + {of['quarantined']:,} set aside"
        )
    n_read = sum(map(len, read.values()))
    for line in totals_told(totals, today=today) if n_read else ():
        say(line)
    counts = loads.select(pl.col("rows_read", "loaded", "duplicate", "reversed", "quarantined").sum()).row(
        0, named=True
    )
    return IngestReport(**counts, files_read=n_read, files_unchanged=sum(map(len, files.values())) - n_read)


class _CommaSeen(Exception):  # noqa: N818
    """A number of the file can only have been written with a decimal comma."""


@dataclass
class _Loading:
    """One run of the stage: what its files have in common."""

    store: Store
    settings: Settings
    codes: pl.DataFrame
    pseudonyms: Pseudonyms | None
    today: dt.date
    say: Say
    progress: Progress = field(default_factory=lambda: Progress("", 1, lambda _: None))
    mending: dict[str, MendedFile] = field(default_factory=dict)
    next_id: int = 1
    seen: dict[tuple[str, Path], Seen] = field(default_factory=dict)  # one file may hold several tables
    held: dict[str, OfTable] = field(default_factory=dict)  # rows of the files of each table, to look for doubts in
    # Of the table read last: its files repeat one another's texts.
    texts: dict[str, Caches] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.next_id = 1 + max(self.store.read(STORED_LOADS)["load_id"], default=0)

    def files(self, name: str, paths: list[Path]) -> list[FileToRead]:
        """Those of a table's files that are to be read."""
        fresh = files_to_read(
            paths,
            table=name,
            folder=self.settings.path.parent,
            stored=self.store.read(STORED_LOADS),
            first_id=self.next_id,
            fingerprint=fingerprint(self.settings, name, self.codes, merged_patients(self.settings)),
            say=self.say,
        )
        self.next_id = max([self.next_id, *(file.load_id + 1 for file in fresh)])
        if fresh and self.settings.tables[name].corrected:
            opened = open_files(self.settings, name).items()
            self.mending |= {digest: source for digest, source in opened if isinstance(source, MendedFile)}
        return fresh

    def read(self, table: Table, files: Sequence[FileToRead], *, is_ahead: bool = False) -> dict[int, FileRead]:
        """Put the typed rows of files, by load, into their table; rows that are there already are still among them.

        With `is_ahead`, which only works outside a transaction, a file is read a second time if it turns out to have
        decimal commas, instead of every file being read twice to find out.
        """
        for file in files:
            if file.again:
                self.store.forget_load(file.load_id)
        with self.store.appending(table) as rows, InTurn() as looks:
            return {file.load_id: self._read(table, file, rows, looks, assume_point=is_ahead) for file in files}

    def _read(
        self, table: Table, file: FileToRead, rows: Appending, looks: InTurn, *, assume_point: bool = False
    ) -> FileRead:
        told = self.settings.tables[table.name]
        before = _stamp(file)
        self.say(f"{table.name}: {file.name}: reading")
        mended = self.mending.get(file.digest)
        source: Source = mended or open_source(file.path, read_options(told, self.settings))
        spoken = source.spoken
        columns = resolve_columns(
            source.headings, {} if spoken.fields else told.columns_in(source.headings), table=table.name, file=file.name
        )
        practice = self.settings.practice
        # A few mended rows cannot show how their dates are written: the file that they are of does.
        forms = column_forms(
            mended.root if mended else source,
            columns,
            told,
            practice,
            file=file.name,
            today=self.today,
            say=self.say,
            assume_point=assume_point,
        )

        def refuse(cells: pl.DataFrame) -> None:
            if any(proves_comma(cells, name, heading, told) for name, heading in forms.assumed.items()):
                raise _CommaSeen

        if table.name not in self.texts:
            self.texts = {table.name: {}}
        reading = reading_of(
            source,
            told,
            practice,
            forms,
            file=file.name,
            codes=self.codes,
            today=self.today,
            caches=self.texts[table.name],
        )
        held = self.held.setdefault(table.name, OfTable())
        seen = seen_of(self.settings, table.name, source, columns, self.codes, file=file.name)
        read = FileRead(
            source, seen, reading, file.load_id, self.pseudonyms, self.store.scratch, self.progress, forms, looks, held,
            refuse,
            reader_of(self.settings).values if table is NOTES else None,
        )  # fmt: skip
        try:
            for typed in read.rows():
                rows.add(typed)
        except _CommaSeen:
            self.progress.step(0, rows=-read.rows_read)
            rows.forget(file.load_id)
            return self._read(table, file, rows, looks)
        self.progress.step(file.path.stat().st_size)
        self.seen[table.name, file.path] = seen
        check_clock(dated=read.dated, ahead=read.ahead, file=file.name, today=self.today)
        for name, note, n in read.notes.iter_rows():
            if told_so := read_by_form(note, n):
                self.say(f"{table.name}: {file.name}: {name}: {told_so}")
        if remark := getattr(source, "remark", None):
            self.say(f"{table.name}: {file.name}: {remark}")
        if _stamp(file) != before:
            raise DataError(f"{file.name}: the file changed while it was read. Run again when it is complete.")
        return read

    def refuse_doubts(self, files: Mapping[str, list[Path]]) -> None:
        """Stop where the files read can be meant in two ways; patients are compared with those of the files before."""
        if not self.seen:
            return
        seen = list(self.seen.values())
        for name in (n for n in ("procedures", "patients") if n in files):
            seen += [self._patients_of(name, path) for path in files[name] if (name, path) not in self.seen]
        refuse_doubts(find_doubts(seen, self.settings), file=self.settings.path.name)

    def _patients_of(self, name: str, path: Path) -> Seen:
        told = self.settings.tables[name]
        source = open_source(path, read_options(told, self.settings))
        columns = resolve_columns(
            source.headings, {} if source.spoken.fields else told.columns, table=name, file=path.name
        )
        seen = seen_of(self.settings, name, source, columns, self.codes, file=path.name)
        for batch in source.batches(seen.answers.patient_headings()):
            seen.who.add_ids(seen.answers.ids(batch.rows))
        return seen

    def settle(self, fresh: Mapping[str, Sequence[FileToRead]], told: Mapping[int, FileRead]) -> None:
        """Account for the rows of each table's files, and take out those that are there already."""
        for name, files in fresh.items():
            self.account(INPUT_TABLES[name], [(file, told[file.load_id]) for file in files])
            if files and (gone := _settle(self.store, name, [file.load_id for file in files])):
                self.say(
                    f"{name}: {count(gone, 'row')} of an earlier export are not in a later one that holds days of the "
                    "same patients. They stay; if they were deleted in between, name the later export alone."
                )

    def account(self, table: Table, done: Sequence[tuple[FileToRead, FileRead]]) -> None:
        """Store what belongs to the rows of a table's files: the loads, what was set aside, claims, notes."""
        for file, _ in done:
            if mended := self.mending.get(file.digest):
                self.store.mended.note(file.load_id, mended.mended())
        for waiting in zip(*((read.aside, read.claims, read.values) for _, read in done), strict=True):
            for rows in in_bulk(piece for one in waiting for piece in one.pieces()):
                self.store.append(waiting[0].table, rows)
        for of, each in ((FIELD_NOTES, self._notes(done)), (STORED_LOADS, self._loads(table, done))):
            self.store.append(of, pl.concat([of.empty(), *each]))

    def _notes(self, done: Sequence[tuple[FileToRead, FileRead]]) -> Iterator[pl.DataFrame]:
        for file, read in done:
            yield read.notes.select(pl.lit(file.load_id, pl.Int32).alias("load_id"), *NOTE_SCHEMA)

    def _loads(self, table: Table, done: Sequence[tuple[FileToRead, FileRead]]) -> Iterator[pl.DataFrame]:
        settings = fingerprint(self.settings, table.name, self.codes, merged_patients(self.settings)) if done else ""
        counts = dict.fromkeys(("loaded", "duplicate", "reversed", "quarantined"), 0)
        for file, read in done:
            of = {"load_id": file.load_id, "file": file.name, "hash": file.digest, "table_name": table.name}
            row = {**of, "rows_read": read.rows_read, **counts, "settings": settings}
            yield pl.DataFrame([row], schema=STORED_LOADS.schema)


def _settle(store: Store, name: str, new_loads: list[int]) -> int:
    """Take out the rows that are there already, and check that every row read is accounted for.

    Returns how many rows of an earlier export a later one of the same ledger no longer has, nor another in their place.
    """
    table, vanished = INPUT_TABLES[name], 0
    store.mended.settle(table)
    later = store.changes.later(new_loads) if table is PROCEDURES else None
    if later is not None:
        changes = find_corrections(store.changes.one_sided(new_loads), later=later)
        store.changes.log(table, changes)
        store.remove(table, superseded(changes))
        vanished = changes["new_row_number"].null_count()
    if table is PATIENTS:
        united = unite_listed(store.listed_twice(table, key="patient_id", new_loads=new_loads))
        store.remove(table, united.verdicts)
        store.put_in_place(table, united.patients)
    gone = []
    for alike in store.alike(table, key=SOURCE_KEYS.get(name, ()), new_loads=new_loads):
        verdicts = deduplicate(alike, table=name, new_loads=new_loads, later=later)
        store.changes.log(table, keyed_changes(alike, verdicts))
        gone.append(verdicts)
    if gone:
        store.remove(table, pl.concat(gone))
    if table is PROCEDURES and (claims := store.read(CLAIMS)).height:
        store.take_back(taken_back(claims))
    store.recount(table)
    return vanished


def _stamp(file: FileToRead) -> tuple[int, int]:
    status = file.path.stat()
    return status.st_size, status.st_mtime_ns


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
