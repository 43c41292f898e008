from __future__ import annotations

import datetime as dt
import stat
import subprocess
import sys
from pathlib import Path

import drawn
import duckdb
import polars as pl
import pytest

from pipeline.machine.errors import BusyError, DataError
from pipeline.practice.codes import built_in
from pipeline.practice.read_tables import STORED_LOADS, STORED_QUARANTINE
from pipeline.practice.tables import (
    CROWNS,
    ENDO_COURSES,
    LOADS,
    PATIENTS,
    PROCEDURES,
    QUARANTINE,
    RUN_FIGURES,
    Table,
    TableError,
)
from pipeline.storing.own_tables import DERIVED_TABLES
from pipeline.storing.store import Store, open_store


def rows(table: Table, *given: dict[str, object]) -> pl.DataFrame:
    """Rows of a table; required columns that are not given get something that passes."""
    filler = {pl.String(): "x", pl.Boolean(): False, pl.Int32(): 1, pl.Int64(): 0, pl.UInt8(): 1}
    blank = {c: None if d.nullable else (d.words or (filler.get(d.dtype),))[0] for c, d in table.columns.items()}
    return pl.DataFrame([{**blank, **row} for row in given], schema=table.schema)  # type: ignore[arg-type]


def procedures(*numbers: int, load_id: int = 1, **values: object) -> pl.DataFrame:
    return rows(PROCEDURES, *({"load_id": load_id, "row_number": n, "status": "completed", **values} for n in numbers))


def with_one_load(store: Store, *numbers: int, rows_read: int | None = None) -> None:
    store.append(PROCEDURES, procedures(*numbers, tooth="14", tooth_fdi=26))
    load = {"load_id": 1, "file": "a.csv", "table_name": "procedures", "rows_read": rows_read or len(numbers)}
    store.append(STORED_LOADS, rows(STORED_LOADS, load))
    store.recount(PROCEDURES)


@pytest.mark.parametrize("table", DERIVED_TABLES.values(), ids=DERIVED_TABLES)
def test_every_table_starts_empty_and_comes_back_as_it_went_in(tmp_path: Path, table: Table):
    with open_store(tmp_path / "p.duckdb") as store:
        assert store.read(table).equals(table.empty())
        one = rows(table, {})
        if "tooth_fdi" in table.columns:
            one = one.with_columns(pl.lit(26, pl.UInt8).alias("tooth_fdi"))
        for column, words in ((c, d.words) for c, d in table.columns.items() if d.words):
            one = one.with_columns(pl.lit(words[-1]).alias(column))
        dates = [c for c, d in table.columns.items() if d.dtype == pl.Date()]
        one = one.with_columns(pl.date(2020, 2, 29).alias(c) for c in dates)
        if "visits" in table.columns:
            one = one.with_columns(pl.lit(2, table.columns["visits"].dtype).alias("visits"))
        store.append(STORED_LOADS, rows(STORED_LOADS, {"load_id": 1}))
        store.append(table, one)
        assert store.read(table).equals(one)
        store.replace(table, one.clear())
        assert store.read(table).is_empty()
    with open_store(tmp_path / "p.duckdb", read_only=True) as store:
        assert store.read(table, ["load_id"] if "load_id" in table.columns else [*table.columns][:1]).is_empty()


def test_what_is_not_as_declared_does_not_get_in(tmp_path: Path):
    with open_store(tmp_path / "p.duckdb") as store:
        with pytest.raises(TableError, match="words"):
            store.append(PROCEDURES, procedures(1, status="done"))  # type: ignore[misc]
        with pytest.raises(TableError, match="not unique"):
            store.append(PATIENTS, rows(PATIENTS, {"patient_id": "a"}, {"patient_id": "a"}))
        for view in (QUARANTINE, LOADS):
            with pytest.raises(ValueError, match="is a view"):
                store.append(view, view.empty())


def test_a_failed_transaction_leaves_no_trace(tmp_path: Path):
    with open_store(tmp_path / "p.duckdb") as store:
        with_one_load(store, 1)

        def fail_half_way() -> None:
            with store.transaction():
                store.append(PROCEDURES, procedures(2))
                store.mark_done("ingest")
                raise KeyError

        with pytest.raises(KeyError):
            fail_half_way()
        assert store.read(PROCEDURES)["row_number"].to_list() == [1]
        assert not store.is_done("ingest")


def test_procedures_of_a_load_that_was_never_accounted_for_do_not_count(tmp_path: Path):
    with open_store(tmp_path / "p.duckdb") as store:
        with_one_load(store, 1)
        store.append(PROCEDURES, procedures(1, 2, load_id=2))
        assert store.read(PROCEDURES)["load_id"].to_list() == [1]
    with open_store(tmp_path / "p.duckdb") as store:
        assert store._frame("SELECT * FROM _procedures")["load_id"].to_list() == [1]


def test_rows_that_the_link_stage_sets_aside_move_and_come_back(tmp_path: Path):
    def sums(store: Store) -> tuple[int, int, int]:
        return store.read(LOADS).select("rows_read", "loaded", "quarantined").row(0)

    aside = pl.DataFrame(
        {"load_id": [1], "row_number": [2], "part": [1], "field": ["tooth"], "reason": ["after_extraction"]},
        schema_overrides={"load_id": pl.Int32, "row_number": pl.Int64, "part": pl.UInt8},
    )
    with open_store(tmp_path / "p.duckdb") as store:
        with_one_load(store, 1, 2, 3)
        assert sums(store) == (3, 3, 0)
        store.set_aside(aside)
        assert store.read(PROCEDURES)["row_number"].to_list() == [1, 3]
        assert store._frame("SELECT * FROM _procedures")["row_number"].to_list() == [1, 2, 3]
        assert sums(store) == (3, 2, 1)
        (row,) = store.read(QUARANTINE).iter_rows(named=True)
        raw = row.pop("raw_row")
        assert row == {
            "file": "a.csv",
            "table_name": "procedures",
            "row_number": 2,
            "field": "tooth",
            "value": "14",
            "reason": "after_extraction",
            "stage": "link",
        }
        assert '"tooth":"14"' in raw
        store.set_aside(aside.clear())
        assert sums(store) == (3, 3, 0)
        with pytest.raises(AssertionError, match="not among the loaded"):
            store.set_aside(aside.with_columns(pl.lit(9, pl.Int64).alias("row_number")))


def test_a_row_that_is_not_accounted_for_stops_us(tmp_path: Path):
    with open_store(tmp_path / "p.duckdb") as store, pytest.raises(AssertionError, match="not all accounted for"):
        with_one_load(store, 1, 2, rows_read=3)


def test_quarantine_and_loads_read_as_declared(tmp_path: Path):
    with open_store(tmp_path / "p.duckdb") as store:
        with_one_load(store, 1)
        store.append(STORED_QUARANTINE, rows(STORED_QUARANTINE, {"load_id": 1, "row_number": 2, "reason": "row_empty"}))
        assert store.read(QUARANTINE)["stage"].to_list() == ["ingest"]


def test_results_and_stages(tmp_path: Path):
    with open_store(tmp_path / "p.duckdb") as store:
        assert store.text("results") is None
        store.save_text("results", '{"a": 1}')
        store.save_text("results", '{"a": 2}')
        assert store.text("results") == '{"a": 2}'
        with pytest.raises(DataError, match="`link` has not run"):
            store.require("link")
        for stage in ("ingest", "link", "compare"):
            store.mark_done(stage)
        store.require("compare")
        store.mark_done("link")  # what was compared rests on an older link
        assert [store.is_done(s) for s in ("ingest", "link", "compare")] == [True, True, False]


def test_only_the_owner_may_read_it(tmp_path: Path):
    path = tmp_path / "p.duckdb"
    with open_store(path) as store:
        store.append(CROWNS, CROWNS.empty())
        store.append(PATIENTS, rows(PATIENTS, {"patient_id": "a"}))
        made = list(tmp_path.iterdir())
        assert {stat.S_IMODE(p.stat().st_mode) & 0o077 for p in made} == {0}
    assert [p.name for p in tmp_path.iterdir()] == ["p.duckdb"]
    (tmp_path / "other").touch()
    assert stat.S_IMODE((tmp_path / "other").stat().st_mode) & 0o044  # the former mask is back


def test_the_database_may_touch_no_other_file(tmp_path: Path):
    (tmp_path / "x.csv").write_text("a\n1\n", encoding="utf-8")
    with open_store(tmp_path / "p.duckdb") as store:
        connection = store._connection
        for statement in (f"SELECT * FROM '{tmp_path}/x.csv'", f"ATTACH '{tmp_path}/q.duckdb'", "INSTALL httpfs"):
            with pytest.raises(duckdb.Error):
                connection.execute(statement).fetchall()
        with pytest.raises(duckdb.Error):
            connection.execute("SET enable_external_access = true")


HOLD = """
import sys, duckdb
connection = duckdb.connect(sys.argv[1])
print("held", flush=True)
sys.stdin.read()
"""


@pytest.mark.parametrize("read_only", [False, True])
def test_a_second_writer_is_told_who_holds_it(tmp_path: Path, read_only: bool):
    path = tmp_path / "practice.duckdb"
    open_store(path).close()
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(BusyError) as error:
            open_store(path, read_only=read_only)
        assert str(error.value) == (
            f"practice.duckdb is in use by another process (PID {holder.pid}). "
            "Close it and run again; nothing was changed."
        )
    finally:
        holder.communicate()
    open_store(path).close()


def test_what_is_not_ours_is_left_alone(tmp_path: Path):
    foreign = tmp_path / "foreign.duckdb"
    with duckdb.connect(str(foreign)) as connection:
        connection.execute("CREATE TABLE t AS SELECT 1 AS a")
    text = tmp_path / "text.duckdb"
    text.write_text("no database" * 1000, encoding="utf-8")
    newer = tmp_path / "newer.duckdb"
    with open_store(newer) as store:
        store._connection.execute("UPDATE _version SET version = 99")
    for path, message in [
        (foreign, "no database of toothyears"),
        (text, "no DuckDB database"),
        (newer, "another version"),
        (tmp_path / "no" / "p.duckdb", "folder does not exist"),
    ]:
        before = path.read_bytes() if path.exists() else None
        with pytest.raises(DataError, match=message):
            open_store(path)
        assert (path.read_bytes() if path.exists() else None) == before


def test_a_database_of_an_earlier_version_says_so_where_it_is_only_read(tmp_path: Path):
    path = tmp_path / "p.duckdb"
    with open_store(path) as store:
        store._connection.execute(f"DROP TABLE {RUN_FIGURES.name}")
    with pytest.raises(DataError, match=r"earlier version of toothyears.*Run `toothyears run`"):
        open_store(path, read_only=True)
    open_store(path).close()  # as `run` does: what was lacking is made
    with open_store(path, read_only=True) as store:
        assert store.read(RUN_FIGURES).is_empty()


@pytest.mark.parametrize("options", [{"read_only": True}, {"must_exist": True}])
def test_a_later_stage_does_not_make_a_database(tmp_path: Path, options: dict[str, bool]):
    with pytest.raises(DataError, match=r"p.duckdb does not exist yet. Run `toothyears ingest`"):
        open_store(tmp_path / "p.duckdb", **options)
    assert not any(tmp_path.iterdir())


def test_left_over_temporary_files_are_removed(tmp_path: Path):
    open_store(tmp_path / "p.duckdb").close()
    stale = tmp_path / ".p.duckdb.tmp-999999"
    stale.mkdir()
    (stale / "spilled").touch()
    open_store(tmp_path / "p.duckdb").close()
    assert not stale.exists()


def test_courses_replace_former_courses(tmp_path: Path):
    day = pl.date(2020, 1, 1)
    one = rows(ENDO_COURSES, {"course_id": "c1"}, {"course_id": "c2"}).with_columns(
        pl.lit(26, pl.UInt8).alias("tooth_fdi"), pl.lit(1, pl.UInt32).alias("visits"), started=day, exit_date=day
    )
    with open_store(tmp_path / "p.duckdb") as store:
        store.replace(ENDO_COURSES, one)
        store.replace(ENDO_COURSES, one.head(1))
        assert store.read(ENDO_COURSES)["course_id"].to_list() == ["c1"]


def test_counts_are_taken_where_the_rows_lie(tmp_path: Path):
    ledger = drawn.procedures("""
        patient_id | service_date | tooth_fdi | code  | provider_id | status
        p1         | 2020-01-01   | 16        | X1    | d1          | completed
        p1         | 2020-02-01   | 16        | X1    |             | completed
        p2         | 2019-02-01   | 16        | X1    |             | planned
        p2         | 2020-02-01   |           | A1    | d1          | completed
        p2         | 2020-02-01   | 16        | D2740 |             | completed
    """)
    with open_store(tmp_path / "p.duckdb") as store:
        assert (store.patients_in_ledger(), store.facts.patients_by_year()) == ((0, None), ())
        assert store.unknown_codes(built_in("cdt")).is_empty()
        store.append(STORED_LOADS, rows(STORED_LOADS, *({"load_id": n} for n in ledger["load_id"].unique())))
        store.append(PROCEDURES, PROCEDURES.check(ledger.select(list(PROCEDURES.columns))))
        assert store.patients_in_ledger() == (2, dt.date(2020, 1, 1))
        assert store.facts.patients_by_year() == ((2020, 2),)  # each once, and what was planned is no work
        assert store.unknown_codes(built_in("cdt")).rows() == [("X1", 3, 2), ("A1", 1, 0)]
        filled = store.filled(PROCEDURES)
        assert (filled.rows, filled.by_column["provider_id"], filled.by_column["tooth_fdi"]) == (5, 2, 4)
