"""The practice's database: the only module that opens it.

Every stage writes in one transaction, so that whatever happens the database holds the state before or after it. The
file, its log and its temporary files are readable by their owner alone, and DuckDB may touch no file but these.

`procedures`, `quarantine` and `loads` are views: rows that the link stage sets aside leave the one and appear in the
other, `loads` still adds up, and a later link puts them back first.
"""

from __future__ import annotations

import datetime as dt
import os
import re
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from types import TracebackType

import duckdb
import numpy as np
import polars as pl

from pipeline.machine.duck import connect_closed
from pipeline.machine.errors import BusyError, DataError
from pipeline.machine.faults import as_data_error, damaged, is_damaged
from pipeline.machine.in_turn import InTurn
from pipeline.practice.read_tables import READ_VALUES, STORED_LOADS, STORED_QUARANTINE
from pipeline.practice.tables import CLAIMS, LOADS, PROCEDURES, QUARANTINE, Filled, Table
from pipeline.storing import changes as store_changes
from pipeline.storing import mended as store_mended
from pipeline.storing.appending import Appending
from pipeline.storing.changes import Changes
from pipeline.storing.connected import Connected
from pipeline.storing.facts import Facts
from pipeline.storing.hashes import Sheaves, shared_by_new
from pipeline.storing.mended import Mended
from pipeline.storing.notes import StoredNotes
from pipeline.storing.own_tables import (
    DERIVED_TABLES,
    FIELD_NOTES,
    LATER_TABLES,
    PHYSICAL,
    SCHEMA_VERSION,
    SET_ASIDE,
    STAGES,
    TAKEN_BACK,
    create_later_tables,
    create_statements,
)
from pipeline.storing.patients import StandIns
from pipeline.storing.rows_to_link import Linking

MEMORY_MB = 2000
_SHARE_OF_MEMORY = 0.25  # what the database may use of what all may use; it goes on on disk
_HASHES_AT_ONCE = 5_000_000
_ALIKE_AT_ONCE = 500_000
_OWNER_ONLY = 0o077
_PLACE = ("load_id", "row_number", "part")


def open_store(
    path: Path, *, read_only: bool = False, must_exist: bool = False, bulk: bool = False, memory_mb: int = MEMORY_MB
) -> Store:
    """Open the database at `path`, making it if it is not there yet (unless `must_exist` or `read_only`).

    Use it in a `with` statement. With `bulk` rows may be stored in any order, which lets many be written at once;
    tables are then read in any order too. `memory_mb` is what the whole process may use of the memory.

    Raises BusyError if another process has it open for writing.
    Raises DataError if it is not there, is no database of ours, or its folder cannot be written.
    """
    path = Path(path)
    if not path.exists():
        if read_only or must_exist:
            raise DataError(f"{path.name} does not exist yet. Run `toothyears ingest` on your PRACTICE.toml first.")
        if not path.parent.is_dir():
            raise DataError(f"{path.name}: its folder does not exist. Make the folder, or change database in the TOML.")
    return Store(path, read_only=read_only, bulk=bulk, memory_mb=memory_mb)


class Store(Connected):
    """An open database. Tables are read and written as declared in `tables`, and checked on the way."""

    def __init__(self, path: Path, *, read_only: bool = False, bulk: bool = False, memory_mb: int = MEMORY_MB) -> None:
        self.path = path
        self._umask = os.umask(_OWNER_ONLY)
        self.scratch = path.with_name(f".{path.name}.tmp-{os.getpid()}")
        try:
            limit = f"{round(_SHARE_OF_MEMORY * memory_mb)}MB"
            connection = _connect(path, self.scratch, read_only=read_only, bulk=bulk, memory_limit=limit)
            super().__init__(connection)
            self.changes, self.mended, self.linking = Changes(connection), Mended(connection), Linking(connection)
            self.stand_ins, self.notes, self.facts = StandIns(connection), StoredNotes(connection), Facts(connection)
            try:
                self._prepare(read_only=read_only)
            except BaseException:
                self._connection.close()
                raise
        except BaseException as error:
            os.umask(self._umask)
            shutil.rmtree(self.scratch, ignore_errors=True)
            if (told := as_data_error(error, name=path.name)) is not None:
                raise told from None
            raise

    @property
    def parts_folder(self) -> Path:
        """Where linking and comparing in parts may keep their files; beside the database, for nobody else."""
        return _parts_folder(self.path)

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.close()
        except duckdb.Error as closing:
            error = error or closing
        # What goes wrong in the database or on the disk quotes values and paths: only its kind is told.
        if error is not None and (told := as_data_error(error, name=self.path.name)) is not None:
            raise told from None

    def close(self) -> None:
        """Close the database and remove its temporary files."""
        try:
            self._connection.close()
        finally:
            shutil.rmtree(self.scratch, ignore_errors=True)
            os.umask(self._umask)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing: commit at the end of the block, or leave no trace of it if it fails."""
        self._connection.execute("BEGIN TRANSACTION")
        try:
            yield
            self._connection.execute("COMMIT")
        except BaseException:
            with suppress(duckdb.Error):
                self._connection.execute("ROLLBACK")
            raise

    def read(self, table: Table, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """A declared table; `procedures` without the rows that the link stage set aside."""
        frame = self._frame(f"SELECT {', '.join(columns or table.columns)} FROM {table.name}")  # noqa: S608
        return table.check(frame) if columns is None else frame

    def filled(self, table: Table) -> Filled:
        """Counts of a declared table, without reading it."""
        counts = ", ".join(f"count({c})" for c in table.columns)
        row = self._rows(f"SELECT count(*), {counts} FROM {table.name}")[0]  # noqa: S608
        return Filled(int(row[0]), dict(zip(table.columns, map(int, row[1:]), strict=True)))

    def filled_among(self, field: str, codes: Sequence[str]) -> tuple[int, int]:
        """How many procedures have one of these codes, and in how many of them a field is filled. Raises KeyError if
        procedures have no such field."""
        name = {column: column for column in PROCEDURES.columns}[field]
        rows = self._rows(
            f"SELECT count(*), count({name}) FROM procedures WHERE list_contains(?::VARCHAR[], code)",  # noqa: S608
            [list(codes)],
        )
        return int(rows[0][0]), int(rows[0][1])

    def patients_in_ledger(self) -> tuple[int, dt.date | None]:
        """How many patients the procedures name, and the day of the first completed one."""
        rows = self._rows(
            "SELECT count(DISTINCT patient_id), min(service_date) FILTER (WHERE status = 'completed') FROM procedures"
        )
        return int(rows[0][0]), rows[0][1]

    def totals_by_year(self, counted: pl.DataFrame) -> pl.DataFrame:
        """What was done in each year: `year`, `patients`, `fees`, and a column a `total` of `counted` (`total, code`).
        A reversal (a fee below zero) takes one from the count; the fee of a row with several teeth counts once."""
        years = self._frame(
            "SELECT year(service_date) AS year, count(DISTINCT patient_id) AS patients, "
            "coalesce(sum(fee) FILTER (WHERE part = 1), 0) AS fees "
            "FROM procedures WHERE status = 'completed' GROUP BY ALL"
        )
        with self._registered(counted.select("total", "code")):
            rows = self._frame(
                "SELECT year(service_date) AS year, total, sum(CASE WHEN fee < 0 THEN -1 ELSE 1 END)::BIGINT AS rows "
                "FROM procedures JOIN incoming USING (code) WHERE status = 'completed' GROUP BY ALL"
            )
        for total in sorted(set(counted["total"])):
            of_total = rows.filter(pl.col("total") == total).select("year", pl.col("rows").alias(total))
            years = years.join(of_total, on="year", how="left").with_columns(pl.col(total).fill_null(0))
        return years.sort("year")

    def unknown_codes(self, codes: pl.DataFrame) -> pl.DataFrame:
        """Codes of the procedures that the column `code` does not hold, most rows first: `code, rows, teeth`."""
        with self._registered(codes.select("code")):
            found = self._frame(
                "SELECT code, count(*) AS rows, count(DISTINCT (patient_id, tooth_fdi, supernumerary)) "
                "FILTER (WHERE tooth_fdi IS NOT NULL) AS teeth "
                "FROM procedures ANTI JOIN incoming USING (code) GROUP BY code"
            )
        return found.sort(["rows", "code"], descending=[True, False])

    def procedures_of(self, codes: Sequence[str], *, until: dt.date | None) -> pl.DataFrame:
        """The completed procedures with one of these codes, up to a day: what tells whether and on which tooth. The
        columns are those that `transforms.events` needs to leave reversed rows out."""
        columns = "load_id, row_number, part, patient_id, service_date, code, tooth_fdi, supernumerary, status, fee"
        return self._frame(
            f"SELECT {columns} FROM procedures WHERE status = 'completed' "  # noqa: S608
            "AND code IN (SELECT unnest($codes::VARCHAR[])) "
            "AND ($until::DATE IS NULL OR service_date <= $until::DATE)",
            params={"codes": list(codes), "until": until},
        )

    def other_texts(self) -> pl.DataFrame:
        """How many texts are none of the usual words of their field: `table, field, rows, texts` (different ones)."""
        schema = {"table": pl.String(), "field": pl.String(), "rows": pl.Int64(), "texts": pl.Int64()}
        found: list[tuple[object, ...]] = []
        for table in DERIVED_TABLES.values():
            for name, column in table.columns.items():
                if column.usual:
                    counted = self._rows(
                        f"SELECT count({name}), count(DISTINCT {name}) FROM {table.name} "  # noqa: S608
                        f"WHERE NOT list_contains(?::VARCHAR[], {name})",
                        [list(column.usual)],
                    )
                    found.append((table.name, name, *counted[0]))
        return pl.DataFrame(found, schema=schema, orient="row").filter(pl.col("rows") > 0)

    def append(self, table: Table, frame: pl.DataFrame) -> None:
        """Add rows to a declared table."""
        table.check(frame)
        self._insert(_writable(table), frame)

    @contextmanager
    def appending(self, table: Table) -> Iterator[Appending]:
        """Rows of files into a declared table, all of them by the end of the block. Rows that are there already are
        still among them. Meanwhile nothing else may be asked of the database."""
        name = _writable(table)

        def delete(load_id: int) -> None:
            self._run(f"DELETE FROM {name} WHERE load_id = ?", [load_id])  # noqa: S608

        with InTurn() as beside:
            rows = Appending(table, beside, partial(self._insert, name), delete)
            yield rows
            rows.store()

    def replace(self, table: Table, frame: pl.DataFrame) -> None:
        """Put `frame` in place of all rows of a declared table."""
        table.check(frame)
        self._run(f"DELETE FROM {_writable(table)}")  # noqa: S608
        self._insert(_writable(table), frame)

    def set_aside(self, frame: pl.DataFrame) -> None:
        """Replace the rows that the link stage sets aside: `load_id, row_number, part, field, reason` of procedures.
        Their value and whole row are taken from what is stored."""
        rows = SET_ASIDE.name
        self._run(f"DELETE FROM {rows}")  # noqa: S608
        with self._registered(frame.select("load_id", "row_number", "part", "field", "reason")):
            self._run(
                f"INSERT INTO {rows} BY NAME SELECT i.*, {_row_as_json(PROCEDURES, 'p')} AS raw_row, "  # noqa: S608
                "json_extract_string(raw_row, '$.' || i.field) AS value "
                "FROM incoming AS i JOIN _procedures AS p USING (load_id, row_number, part)"
            )
        if self._number(f"SELECT count(*) FROM {rows}") != frame.height:  # noqa: S608
            raise AssertionError("a row that is set aside is not among the loaded procedures")
        self.read(SET_ASIDE)  # checks them

    def save_text(self, name: str, text: str) -> None:
        """Keep a text, such as results as JSON, in place of the former one of that name."""
        self._run("DELETE FROM _texts WHERE name = ?", [name])
        self._run("INSERT INTO _texts VALUES (?, ?)", [name, text])

    def text(self, name: str) -> str | None:
        """The text last kept under a name, or None."""
        rows = self._rows("SELECT body FROM _texts WHERE name = ?", [name])
        return str(rows[0][0]) if rows else None

    def mark_done(self, stage: str) -> None:
        """Note that a stage has run on what is stored; what the stages after it stored is out of date from now on."""
        later = STAGES[STAGES.index(stage) :]
        self._run("DELETE FROM _stages WHERE list_contains(?, stage)", [list(later)])
        self._run("INSERT INTO _stages VALUES (?)", [stage])

    def is_done(self, stage: str) -> bool:
        """Whether `stage` has run on what is stored."""
        return bool(self._rows("SELECT 1 FROM _stages WHERE stage = ?", [stage]))

    def require(self, stage: str) -> None:
        """Refuse to go on unless `stage` has run on what is stored."""
        if not self.is_done(stage):
            raise DataError(
                f"{self.path.name}: the step `{stage}` has not run on the data that are stored now. "
                f"Run `toothyears {stage}` first, or `toothyears run` for all steps."
            )

    # What the ingest stage needs besides.

    def forget_load(self, load_id: int) -> None:
        """Take away everything that one load brought, so that its file can be read again."""
        tables = [row[0] for row in self._rows("SELECT table_name FROM _loads WHERE load_id = ?", [load_id])]
        names = [t.name for t in (STORED_LOADS, STORED_QUARANTINE, FIELD_NOTES, CLAIMS, TAKEN_BACK, READ_VALUES)]
        self.changes.forget(load_id)
        self.mended.forget(load_id)
        for name in [*names, *(PHYSICAL.get(t, t) for t in tables)]:
            self._run(f"DELETE FROM {name} WHERE load_id = ?", [load_id])  # noqa: S608

    def alike(self, table: Table, *, key: Sequence[str], new_loads: Sequence[int]) -> Iterator[pl.DataFrame]:
        """Rows that share their key or, without one, their content with another, where at least one is new.

        One row each: `load_id, row_number, part, key, content`. The columns of `key` make the key if the first
        is filled. `content` is a digest of 128 bits: two different rows share one by chance in no archive that will
        ever be. Many come in several frames; rows that share anything are in one.
        """
        name = PHYSICAL.get(table.name, table.name)
        parts = [_content(c) for c in table.columns if c not in _PLACE]
        content = f"md5(concat_ws(chr(31), {', '.join(map(_as_text, parts))}))"
        joined = f"concat_ws(chr(31), {', '.join(map(_as_text, key))})"
        key_text = f"CASE WHEN {key[0]} IS NOT NULL THEN {joined} END" if key else "NULL::VARCHAR"
        place = ", ".join(c for c in _PLACE if c in table.columns)
        same = f"(CASE WHEN {key_text} IS NULL THEN hash({', '.join(parts)}) ELSE hash({key_text}) END >> 1)"
        shared = self._shared_hashes(name, same, new_loads)
        if shared.is_empty():
            return
        with self._registered(shared):
            self._run(
                f"CREATE TEMP TABLE alike_rows AS "  # noqa: S608
                f"SELECT {place}, {key_text} AS key, {content} AS content, {same} AS same FROM {name} "
                f"SEMI JOIN incoming ON ({same}) = incoming.same"
            )
        frames = 1 + self._number("SELECT count(*) FROM alike_rows") // _ALIKE_AT_ONCE
        for n in range(frames):
            found = self._frame(
                f"SELECT {place}, key, content FROM alike_rows WHERE same % $frames = $n",  # noqa: S608
                params={"frames": frames, "n": n},
            )
            yield found if "part" in table.columns else found.with_columns(part=pl.lit(1, pl.UInt8))
        self._run("DROP TABLE alike_rows")

    def _shared_hashes(self, name: str, same: str, new_loads: Sequence[int]) -> pl.DataFrame:
        """The hashes (of 63 bits) that several rows have, at least one of them of a new load: `same`, each once. Sorted
        outside the database: whole numbers take a tenth of the time and the room there. Many millions lie in files in
        the meantime, by the last digits of the hash, and are taken a file at a time: one pass for any number."""
        files = 1 + self._number(f"SELECT count(*) FROM {name}") // _HASHES_AT_ONCE  # noqa: S608
        packed = f"SELECT ({same} << 1) | list_contains($new, load_id)::UBIGINT AS hash FROM {name}"  # noqa: S608
        batches = self._connection.sql(packed, params={"new": list(new_loads)}).to_arrow_reader(1_000_000)
        with Sheaves(self.scratch / "hashes", files) as sheaves:
            for batch in batches:
                sheaves.add(pl.Series(batch.column(0)).to_numpy())  # its own way loads pandas
            found = [shared_by_new(hashes) for hashes in sheaves.each()]
        return pl.DataFrame({"same": np.concatenate(found)}, schema={"same": pl.UInt64()})

    def listed_twice(self, table: Table, *, key: str, new_loads: Sequence[int]) -> pl.DataFrame:
        """Rows of new loads whose load holds several rows of their key."""
        found = self._frame(
            f"SELECT {', '.join(table.columns)} FROM {table.name} WHERE list_contains($new, load_id) "  # noqa: S608
            f"QUALIFY count(*) OVER (PARTITION BY load_id, {key}) > 1",
            params={"new": list(new_loads)},
        )
        return table.check(found, settled=False)

    def put_in_place(self, table: Table, frame: pl.DataFrame) -> None:
        """Put each row of `frame` in the place of the stored one of the same load and row number."""
        table.check(frame, settled=False)
        with self._registered(frame.select("load_id", "row_number")):
            self._run(
                f"DELETE FROM {table.name} AS t USING incoming AS i "  # noqa: S608
                "WHERE t.load_id = i.load_id AND t.row_number = i.row_number"
            )
        self._insert(_writable(table), frame)

    def remove(self, table: Table, verdicts: pl.DataFrame) -> None:
        """Take rows out again: a duplicate is only counted, any other verdict is the reason to set the row aside.
        `verdicts` may have a column `field` that names the field at fault."""
        name = PHYSICAL.get(table.name, table.name)
        part = "t.part" if "part" in table.columns else "1::UTINYINT"
        if "field" not in verdicts.columns:
            verdicts = verdicts.with_columns(field=pl.lit(None, pl.String))
        with self._registered(verdicts):
            self._run(
                f"INSERT INTO {STORED_QUARANTINE.name} BY NAME SELECT t.load_id, t.row_number, i.field, "  # noqa: S608
                f"i.verdict AS reason, {_row_as_json(table, 't')} AS raw_row, "
                "json_extract_string(raw_row, '$.' || i.field) AS value "
                f"FROM {name} AS t JOIN incoming AS i USING (load_id, row_number) "
                f"WHERE i.verdict <> 'duplicate' AND i.part = {part}"
            )
            self._run(
                f"DELETE FROM {name} AS t USING incoming AS i "  # noqa: S608
                f"WHERE t.load_id = i.load_id AND t.row_number = i.row_number AND i.part = {part}"
            )
            self._run(
                "UPDATE _loads AS l SET duplicate = l.duplicate + d.n FROM "
                "(SELECT load_id, count(*) AS n FROM incoming WHERE verdict = 'duplicate' GROUP BY load_id) AS d "
                "WHERE l.load_id = d.load_id"
            )

    def recount(self, table: Table) -> None:
        """Count what each load of `table` has in the table and in the quarantine now, and check that it adds up."""
        name = PHYSICAL.get(table.name, table.name)
        self._run(
            f"""
            WITH kept AS (SELECT load_id, count(*) AS n FROM {name} GROUP BY load_id),
            aside AS (SELECT load_id, count(*) AS n FROM _quarantine GROUP BY load_id),
            back AS (SELECT load_id, count(*) AS n FROM _taken_back GROUP BY load_id),
            undone AS (SELECT load_id, count(*) AS n FROM _claims WHERE action = 'reversal' GROUP BY load_id),
            counted AS (
                SELECT l.load_id, coalesce(kept.n, 0) - coalesce(back.n, 0) AS loaded, coalesce(aside.n, 0) AS aside,
                       coalesce(back.n, 0) + coalesce(undone.n, 0) AS back
                FROM _loads AS l LEFT JOIN kept USING (load_id) LEFT JOIN aside USING (load_id)
                LEFT JOIN back USING (load_id) LEFT JOIN undone USING (load_id) WHERE l.table_name = ?
            )
            UPDATE _loads SET loaded = counted.loaded, quarantined = counted.aside, reversed = counted.back
            FROM counted WHERE _loads.load_id = counted.load_id
            """,  # noqa: S608
            [table.name],
        )
        if self._number("SELECT count(*) FROM _loads WHERE rows_read <> loaded + duplicate + reversed + quarantined"):
            raise AssertionError("rows read are not all accounted for")

    def take_back(self, rows: pl.DataFrame) -> None:
        """Replace the procedures that later claims take back; `rows` are their `load_id, row_number`."""
        self._run(f"DELETE FROM {TAKEN_BACK.name}")  # noqa: S608
        with self._registered(rows.select("load_id", "row_number")):
            self._run(
                f"INSERT INTO {TAKEN_BACK.name} SELECT load_id, row_number, part "  # noqa: S608
                "FROM _procedures SEMI JOIN incoming USING (load_id, row_number)"
            )

    def latest_year(self) -> int | None:
        """The latest year in which something was done; None if nothing was."""
        year = self._rows("SELECT year(max(service_date)) FROM _procedures WHERE status = 'completed'")[0][0]
        return None if year is None else int(year)

    def drop_unaccounted(self) -> None:
        """Take away procedures of loads that were never finished: a run was stopped before it accounted for them."""
        with suppress(duckdb.Error):  # after a fault of the disk: the next who opens the database does it
            self._run("DELETE FROM _procedures WHERE load_id NOT IN (SELECT load_id FROM _loads)")

    def clear_set_aside(self) -> None:
        """Forget what an earlier link set aside: the rows it saw are no longer all there."""
        self._run(f"DELETE FROM {SET_ASIDE.name}")  # noqa: S608

    def _prepare(self, *, read_only: bool) -> None:
        tables = {row[0] for row in self._rows("SELECT table_name FROM duckdb_tables()")}
        if not tables and not read_only:
            for stale in self.path.parent.glob(f".{self.path.name}.tmp-*"):
                shutil.rmtree(stale, ignore_errors=True)
            with self.transaction():
                for statement in (*create_statements(), store_changes.CREATE, store_mended.CREATE):
                    self._run(statement)
            return
        if "_version" not in tables:
            raise DataError(f"{self.path.name} is no database of toothyears. Choose another name for database.")
        if self._number("SELECT version FROM _version") != SCHEMA_VERSION:
            raise DataError(
                f"{self.path.name} was written by another version of toothyears. Rename it and ingest your files again."
            )
        if read_only and {t.name for t in LATER_TABLES} - tables:
            raise DataError(
                f"{self.path.name} was written by an earlier version of toothyears and can only be read once it is "
                "brought up to date. Run `toothyears run` on your PRACTICE.toml; what is stored stays."
            )
        if not read_only:  # nobody else has it open, so what lies there was left by a process that was killed
            for stale in self.path.parent.glob(f".{self.path.name}.tmp-*"):
                shutil.rmtree(stale, ignore_errors=True)
            with self.transaction():
                for statement in create_later_tables(of_before=tables):
                    self._run(statement)
            self.drop_unaccounted()


def _connect(path: Path, scratch: Path, *, read_only: bool, bulk: bool, memory_limit: str) -> duckdb.DuckDBPyConnection:
    try:
        return connect_closed(
            str(path),
            read_only=read_only,
            memory_limit=memory_limit,
            scratch=scratch,
            folders=[_parts_folder(path)],
            preserve_insertion_order=str(not bulk).lower(),
        )
    except (duckdb.IOException, duckdb.FatalException) as error:
        raise _cannot_open(path, str(error)) from None
    except duckdb.ConnectionException:
        raise BusyError(f"{path.name} is open already in this process. Close it first; nothing was changed.") from None


def _parts_folder(path: Path) -> Path:
    return path.with_name(f".{path.name}.parts")


def _cannot_open(path: Path, message: str) -> DataError:
    if "lock" in message.lower() or "used by another process" in message:
        pid = re.search(r"PID (\d+)", message)
        who = f" (PID {pid[1]})" if pid else ""
        return BusyError(f"{path.name} is in use by another process{who}. Close it and run again; nothing was changed.")
    if "valid DuckDB" in message:
        return DataError(f"{path.name} is no DuckDB database. Choose another name for database in the TOML.")
    if is_damaged(message):
        return DataError(damaged(path.name))
    return DataError(f"{path.name} cannot be opened for writing. Check that you may write to its folder.")


def _writable(table: Table) -> str:
    if table.name in (QUARANTINE.name, LOADS.name):
        raise ValueError(f"{table.name} is a view: the store fills it")
    if table.name in PHYSICAL or table.name in DERIVED_TABLES or table.name.startswith("_") or table in LATER_TABLES:
        return PHYSICAL.get(table.name, table.name)
    raise ValueError(f"{table.name} is no stored table")


def _row_as_json(table: Table, alias: str) -> str:
    return f"to_json({{{', '.join(f'{c}: {alias}.{c}' for c in table.columns if c not in _PLACE)}}})"


def _content(column: str) -> str:
    """What of a column tells rows apart: a tooth that was understood counts by its number, however it was written."""
    return "CASE WHEN tooth_fdi IS NULL THEN tooth END" if column == "tooth" else column


def _as_text(part: str) -> str:
    return f"coalesce(({part})::VARCHAR, chr(30))"
