"""Exports that overlap, drawn: which rows of the earlier one the later one corrects."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Iterator

import duckdb
import polars as pl
import pytest

from pipeline.practice.tables import PROCEDURES
from pipeline.storing import changes as store_changes
from pipeline.storing import mended as store_mended
from pipeline.storing.changes import Changes
from pipeline.storing.own_tables import create_statements
from pipeline.transforms.corrections import (
    CHANGE_SCHEMA,
    ONE_SIDED_SCHEMA,
    SUM_SCHEMA,
    find_corrections,
    overlapping,
    superseded,
)

DAY = dt.date(2024, 3, 1)
Row = tuple[str, str, str | None, str | None]  # patient, code, tooth, clinician
# Thirty examinations that both exports hold.
SHARED: list[Row] = [(f"p{n}", "D0120", None, "Lee") for n in range(30)]


@pytest.fixture
def base() -> Iterator[duckdb.DuckDBPyConnection]:
    connection = duckdb.connect()
    for statement in (*create_statements(), store_changes.CREATE, store_mended.CREATE):
        connection.execute(statement)
    yield connection
    connection.close()


def put(base: duckdb.DuckDBPyConnection, load: int, rows: list[Row], *, last: dt.date = DAY, seed: int = 0) -> None:
    """One load: `rows`, in some order, all on one day, and a row of another patient on the last day it reaches."""
    order = [*rows, (f"last{load}", "D0120", None, f"clinician of load {load}")]
    random.Random(seed).shuffle(order)
    for number, (patient, code, tooth, clinician) in enumerate(order, 1):
        day = last if patient.startswith("last") else DAY
        fdi = int(tooth) if tooth else None
        base.execute(
            "INSERT INTO _procedures (patient_id, service_date, code, tooth, tooth_fdi, supernumerary, provider_id, "
            "status, load_id, row_number, part) VALUES (?, ?, ?, ?, ?, false, ?, 'completed', ?, ?, 1)",
            [patient, day, code, tooth, fdi, clinician, load, number],
        )
    base.execute(
        "INSERT INTO _loads (load_id, file, hash, table_name, rows_read) VALUES (?, ?, ?, 'procedures', ?)",
        [load, f"load{load}.csv", f"{load:064d}", len(order)],
    )


def changes(base: duckdb.DuckDBPyConnection, new: list[int]) -> pl.DataFrame:
    of = Changes(base)
    found = find_corrections(of.one_sided(new), later=of.later(new))
    assert dict(found.schema) == CHANGE_SCHEMA
    return found


def drawn(base: duckdb.DuckDBPyConnection, found: pl.DataFrame) -> list[str]:
    """`load patient code tooth > load patient code tooth`, or `> gone`."""
    rows = {
        (load, number): f"{load} {patient} {code} {tooth or '-'}"
        for load, number, patient, code, tooth in base.execute(
            "SELECT load_id, row_number, patient_id, code, tooth FROM _procedures"
        ).fetchall()
    }
    pairs = found.select("load_id", "row_number", "new_load_id", "new_row_number").rows()
    return sorted(f"{rows[a, b]} > {rows.get((c, d), 'gone')}" for a, b, c, d in pairs)


@pytest.mark.parametrize("seed", range(3))
def test_a_later_export_corrects_code_tooth_and_clinician(base: duckdb.DuckDBPyConnection, seed: int):
    put(base, 1, [*SHARED, ("a", "D2740", "16", "Lee"), ("b", "D3330", "36", "Lee"), ("c", "D2740", "11", "Lee")])
    put(
        base,
        2,
        [*SHARED, ("a", "D2750", "16", "Lee"), ("b", "D3330", "46", "Lee"), ("c", "D2740", "11", "Kim")],
        seed=seed,
    )
    found = changes(base, [1, 2])
    assert drawn(base, found) == [
        "1 a D2740 16 > 2 a D2750 16",
        "1 b D3330 36 > 2 b D3330 46",
        "1 c D2740 11 > 2 c D2740 11",
    ]
    assert superseded(found)["verdict"].to_list() == ["superseded"] * 3
    Changes(base).log(PROCEDURES, found)
    assert Changes(base).counted().rows() == [
        ("procedures", "load1.csv", "load2.csv", "code", 1),
        ("procedures", "load1.csv", "load2.csv", "provider_id", 1),
        ("procedures", "load1.csv", "load2.csv", "tooth", 1),
    ]
    Changes(base).forget(2)
    assert Changes(base).counted().is_empty()


def test_a_row_that_vanished_stays_and_is_counted(base: duckdb.DuckDBPyConnection):
    put(base, 1, [*SHARED, ("p1", "D2740", "16", "Lee")])
    put(base, 2, SHARED)
    found = changes(base, [1, 2])
    assert drawn(base, found) == ["1 p1 D2740 16 > gone"]
    assert superseded(found).is_empty()
    Changes(base).log(PROCEDURES, found)
    assert Changes(base).counted()["field"].to_list() == ["row vanished"]


def test_files_split_by_clinician_are_left_alone(base: duckdb.DuckDBPyConnection):
    put(base, 1, [(p, c, t, "Lee") for p, c, t, _ in SHARED] + [("a", "D2740", "16", "Lee")])
    put(base, 2, [(p, c, t, "Kim") for p, c, t, _ in SHARED] + [("a", "D2740", "16", "Kim")])
    assert changes(base, [1, 2]).is_empty()


def test_files_split_by_kind_of_work_are_left_alone(base: duckdb.DuckDBPyConnection):
    put(base, 1, [(p, "D2391", "16", "Lee") for p, *_ in SHARED])
    put(base, 2, [(p, "D2740", "16", "Lee") for p, *_ in SHARED])
    assert changes(base, [1, 2]).is_empty()


def test_a_sample_of_patients_spares_the_rows_of_split_files_and_no_correction(
    base: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(store_changes, "_MANY_DAYS", 0)
    put(base, 1, [*SHARED, ("a", "D2740", "16", "Lee")])
    put(base, 2, [*SHARED, ("a", "D2750", "16", "Lee")])
    put(base, 3, [(p, c, t, "Kim") for p, c, t, _ in SHARED])
    assert drawn(base, changes(base, [1, 2, 3])) == ["1 a D2740 16 > 2 a D2750 16"]


def test_a_few_identical_rows_make_no_overlap(base: duckdb.DuckDBPyConnection):
    put(base, 1, [*SHARED[:19], ("a", "D2740", "16", "Lee")])
    put(base, 2, [*SHARED[:19], ("a", "D2750", "16", "Lee")])
    assert changes(base, [1, 2]).is_empty()


def test_a_genuine_same_day_repeat_is_no_correction(base: duckdb.DuckDBPyConnection):
    twice = [("a", "D2391", "16", "Lee"), ("a", "D2391", "16", "Lee")]
    put(base, 1, [*SHARED, *twice])
    put(base, 2, [*SHARED, *twice, ("a", "D2740", "16", "Lee")])
    assert changes(base, [1, 2]).is_empty()


def test_the_file_that_reaches_further_is_the_later_export_whatever_its_name(base: duckdb.DuckDBPyConnection):
    put(base, 1, [*SHARED, ("a", "D2750", "16", "Lee")], last=dt.date(2025, 12, 1))
    put(base, 2, [*SHARED, ("a", "D2740", "16", "Lee")], last=dt.date(2024, 12, 1))
    assert drawn(base, changes(base, [1, 2])) == ["2 a D2740 16 > 1 a D2750 16"]
    assert drawn(base, changes(base, [2])) == ["1 a D2750 16 > 2 a D2740 16"]  # read in a later run: the later export


def test_files_read_earlier_are_not_compared_again(base: duckdb.DuckDBPyConnection):
    put(base, 1, [*SHARED, ("a", "D2740", "16", "Lee")])
    put(base, 2, [*SHARED, ("a", "D2750", "16", "Lee")])
    assert changes(base, []).is_empty()


def test_three_exports_in_one_run_end_with_the_last_word(base: duckdb.DuckDBPyConnection):
    """The third says what the first said: both earlier rows give way, and the third stays."""
    put(base, 1, [*SHARED, ("a", "D2740", "16", "Lee")])
    put(base, 2, [*SHARED, ("a", "D2750", "16", "Lee")])
    put(base, 3, [*SHARED, ("a", "D2740", "16", "Lee")])
    found = drawn(base, changes(base, [1, 2, 3]))
    assert found == ["1 a D2740 16 > 2 a D2750 16", "2 a D2750 16 > 3 a D2740 16"]


def test_a_third_export_in_a_later_run_meets_thinned_out_days(base: duckdb.DuckDBPyConnection):
    """Of p1's day in the second load only a corrected row is left; the rest was there already."""
    more: list[Row] = [(f"q{n}", "D0120", None, "Lee") for n in range(30)]
    put(base, 1, [*SHARED, ("p1", "D2391", "16", "Lee")])
    put(base, 2, [*more, ("p1", "D2750", "16", "Lee")])
    put(base, 3, [*SHARED, *more, ("p1", "D2391", "16", "Lee"), ("p1", "D2740", "16", "Lee")])
    assert drawn(base, changes(base, [3])) == ["2 p1 D2750 16 > 3 p1 D2740 16"]


def test_mended_rows_are_not_taken_for_an_export(base: duckdb.DuckDBPyConnection):
    put(base, 1, [*SHARED, ("a", "D2740", "16", "Lee")])
    put(base, 2, [*SHARED, ("a", "D2750", "16", "Lee")])
    base.execute("INSERT INTO _mended VALUES (2, 1, 'x', 1)")
    assert changes(base, [1, 2]).is_empty()


@pytest.mark.parametrize(
    ("rows_a", "rows_b", "identical", "overlap"),
    [(100, 100, 80, True), (100, 100, 79, False), (20, 25, 20, True), (19, 19, 19, False), (200, 20, 20, False)],
)
def test_how_much_must_be_identical(rows_a: int, rows_b: int, identical: int, overlap: bool):
    sums = pl.DataFrame([(1, 2, rows_a, rows_b, identical)], schema=SUM_SCHEMA, orient="row")
    assert overlapping(sums).rows() == ([(1, 2)] if overlap else [])


def test_pairs_of_exports_stand_in_their_order():
    pairs = [(2, 3, 50, 50, 50), (1, 3, 50, 50, 50), (1, 2, 50, 50, 50)]
    assert overlapping(pl.DataFrame(pairs, schema=SUM_SCHEMA, orient="row")).rows() == [(1, 2), (1, 3), (2, 3)]


def test_a_row_that_several_exports_correct_gets_the_counterpart_in_the_earliest(base: duckdb.DuckDBPyConnection):
    put(base, 1, [*SHARED, ("a", "D2740", "16", "Lee")])
    put(base, 2, [*SHARED, ("a", "D2750", "16", "Lee")])
    put(base, 3, [*SHARED, ("a", "D2790", "16", "Lee")])
    found = drawn(base, changes(base, [1, 2, 3]))
    assert found == ["1 a D2740 16 > 2 a D2750 16", "2 a D2750 16 > 3 a D2790 16"]


def test_a_counterpart_in_one_export_stands_before_none_in_an_earlier_one(base: duckdb.DuckDBPyConnection):
    put(base, 1, [*SHARED, ("p1", "D2740", "16", "Lee")])
    put(base, 2, SHARED)
    put(base, 3, [*SHARED, ("p1", "D2750", "16", "Lee")])
    assert drawn(base, changes(base, [1, 2, 3])) == ["1 p1 D2740 16 > 3 p1 D2750 16"]


def test_equal_rows_are_paired_in_the_order_of_their_files():
    rows = [
        (1, 2, load, number, 1, 7, DAY, "D2391", "16", content)
        for load, content in ((1, 50), (2, 60))
        for number in (3, 8)
    ]
    found = find_corrections(pl.DataFrame(rows, schema=ONE_SIDED_SCHEMA, orient="row"), later={1: 0, 2: 1})
    assert found.rows() == [(1, 3, 1, 2, 3, 1), (1, 8, 1, 2, 8, 1)]
