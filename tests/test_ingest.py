"""The whole ingest stage on small files: what is stored, what is set aside, and that running again changes nothing."""

from __future__ import annotations

import csv
import datetime as dt
import json
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from pipeline.machine.errors import ConfigError, DataError
from pipeline.practice.read_tables import STORED_LOADS
from pipeline.practice.tables import INPUT_TABLES, LOADS, PROCEDURES, QUARANTINE
from pipeline.reading.config import load_settings
from pipeline.reading.sources.source import Batch
from pipeline.stages.ingest import IngestReport, ingest
from pipeline.storing.own_tables import FIELD_NOTES, SET_ASIDE
from pipeline.storing.store import Store, open_store

TODAY = dt.date(2026, 1, 31)
PRACTICE = '[practice]\nname = "Alder Row Dental"\ntooth_notation = "universal"\n'
HEAD = ("patient_id", "service_date", "code", "tooth")
CROWN = ("p1", "2020-03-01", "D2740", "14")
FILLED = ("p1", "2020-03-01", "D2391", "14")
ENDO = ("p2", "2021-05-05", "D3330", "19")


class Folder:
    """A practice's folder: files, the TOML, and runs of the stage."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.said: list[str] = []
        self.toml(PRACTICE + '[tables.procedures]\nfiles = ["ledger*.csv"]\n')

    def toml(self, text: str) -> None:
        (self.path / "practice.toml").write_text(text, encoding="utf-8")

    def write(self, name: str, *rows: tuple[str, ...], head: tuple[str, ...] = HEAD) -> None:
        with (self.path / name).open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream).writerows([head, *rows])

    def run(self) -> IngestReport:
        return ingest(load_settings(self.path / "practice.toml"), today=TODAY, say=self.said.append, keep_ids=True)

    def open(self) -> Store:
        return open_store(self.path / "practice.duckdb", must_exist=True)

    def loads(self) -> list[tuple[object, ...]]:
        """file, rows read, loaded, duplicate, quarantined."""
        with self.open() as store:
            columns = ("file", "rows_read", "loaded", "duplicate", "quarantined")
            return store.read(LOADS).sort("load_id").select(columns).rows()

    def reasons(self) -> list[tuple[object, ...]]:
        """file, row number, field, value, reason."""
        with self.open() as store:
            columns = ("file", "row_number", "field", "value", "reason")
            return store.read(QUARANTINE).select(columns).sort("file", "row_number").rows()

    def everything(self) -> list[pl.DataFrame]:
        """All that is stored, in an order of its own: the database promises none."""
        with self.open() as store:
            tables = (*INPUT_TABLES.values(), LOADS, QUARANTINE, FIELD_NOTES, STORED_LOADS)
            return [store.read(table).sort(pl.all()) for table in tables]


def in_halves(batches: Iterable[Batch]) -> Iterator[Batch]:
    for batch in batches:
        half = batch.rows.height // 2
        yield replace(batch, rows=batch.rows[:half], numbers=batch.numbers[:half])
        yield replace(batch, rows=batch.rows[half:], numbers=batch.numbers[half:], malformed=batch.malformed.clear())


@pytest.fixture
def practice(tmp_path: Path) -> Folder:
    return Folder(tmp_path)


def test_rows_are_loaded_or_set_aside_with_the_reason_and_the_whole_row(practice: Folder):
    practice.write(
        "ledger.csv", CROWN, ("p1", "2020-03-01", "D2740", "99"), ENDO, ("", "", "", ""), head=(*HEAD[:3], "Th")
    )
    practice.toml(PRACTICE + '[tables.procedures]\nfiles = ["ledger.csv"]\ncolumns = { tooth = "Th" }\n')
    with (practice.path / "ledger.csv").open("a", encoding="utf-8") as stream:
        stream.write("p3,2020-01-01\n")
    report = practice.run()
    assert practice.loads() == [("ledger.csv", 5, 2, 0, 3)]
    assert (report.rows_read, report.loaded, report.duplicate, report.quarantined) == (5, 2, 0, 3)
    assert practice.reasons() == [
        ("ledger.csv", 2, "tooth", "99", "tooth_unknown"),
        ("ledger.csv", 4, None, None, "row_empty"),
        ("ledger.csv", 5, None, None, "malformed_line"),
    ]
    with practice.open() as store:
        raw = [json.loads(text) for text in store.read(QUARANTINE).sort("row_number")["raw_row"]]
        assert raw[0] == {"patient_id": "p1", "service_date": "2020-03-01", "code": "D2740", "Th": "99"}
        assert raw[2] == {"line": "p3,2020-01-01"}
        assert store.read(PROCEDURES).select("row_number", "tooth_fdi").sort(pl.all()).rows() == [(1, 26), (3, 36)]
        assert store.is_done("ingest")


def test_the_same_file_twice_changes_nothing(practice: Folder):
    practice.write("ledger.csv", CROWN, CROWN, ENDO, ("p1", "bad", "D2740", "1"))
    practice.run()
    before = practice.everything()
    report = practice.run()
    assert (report.files_read, report.files_unchanged) == (0, 1)
    practice.write("ledger copy.csv", CROWN, CROWN, ENDO, ("p1", "bad", "D2740", "1"))
    report = practice.run()
    assert (report.files_read, report.files_unchanged) == (0, 2)
    assert all(a.equals(b) for a, b in zip(before, practice.everything(), strict=True))


def test_overlapping_exports_merge_and_genuine_repeats_stay(practice: Folder):
    practice.write("ledger-1.csv", FILLED, FILLED, CROWN)
    practice.run()
    practice.write("ledger-2.csv", CROWN, FILLED, FILLED, FILLED, ENDO)
    practice.run()
    assert practice.loads() == [("ledger-1.csv", 3, 3, 0, 0), ("ledger-2.csv", 5, 2, 3, 0)]


@pytest.mark.thorough
def test_all_files_at_once_come_to_the_same_as_one_after_another(
    practice: Folder, tmp_path_factory: pytest.TempPathFactory
):
    files = {"ledger-1.csv": (FILLED, CROWN), "ledger-2.csv": (CROWN, FILLED, FILLED), "ledger-3.csv": (ENDO, FILLED)}
    at_once = Folder(tmp_path_factory.mktemp("once"))
    for name, rows in files.items():
        practice.write(name, *rows)
        practice.run()
        at_once.write(name, *rows)
    at_once.run()
    assert (
        at_once.loads()
        == practice.loads()
        == [
            ("ledger-1.csv", 2, 2, 0, 0),
            ("ledger-2.csv", 3, 1, 2, 0),
            ("ledger-3.csv", 2, 1, 1, 0),
        ]
    )
    assert all(a.equals(b) for a, b in zip(practice.everything(), at_once.everything(), strict=True))


def test_a_tooth_written_otherwise_is_the_same_row(practice: Folder):
    practice.write("ledger-1.csv", CROWN)
    practice.write("ledger-2.csv", (*CROWN[:3], "14.0"))
    practice.run()
    assert practice.loads() == [("ledger-1.csv", 1, 1, 0, 0), ("ledger-2.csv", 1, 0, 1, 0)]


def test_a_later_row_with_the_same_procedure_id_wins(practice: Folder):
    head = (*HEAD, "procedure_id", "site_id")
    practice.write("ledger-1.csv", (*CROWN, "7", "A"), (*ENDO, "8", "A"), (*ENDO, "7", "B"), head=head)
    practice.run()
    practice.write("ledger-2.csv", (*CROWN[:3], "15", "7", "A"), (*ENDO, "8", "A"), head=head)
    practice.run()
    # Procedure 7 of clinic A moved to tooth 15; 7 of clinic B is another one.
    assert practice.loads() == [("ledger-1.csv", 3, 2, 0, 1), ("ledger-2.csv", 2, 1, 1, 0)]
    assert practice.reasons() == [("ledger-1.csv", 1, None, None, "superseded")]
    with practice.open() as store:
        teeth = store.read(PROCEDURES).sort("load_id", "row_number").select("procedure_id", "site_id", "tooth_fdi")
        assert teeth.rows() == [("8", "A", 36), ("7", "B", 36), ("7", "A", 27)]


def test_patients_keep_their_latest_row(practice: Folder):
    practice.write("ledger.csv", CROWN)
    practice.toml(
        PRACTICE
        + '[tables.procedures]\nfiles = ["ledger.csv"]\n[tables.patients]\nfiles = ["people*.csv"]\n'
        + 'values.smoker = { current = "yes" }\n'
    )
    head = ("patient_id", "birth_date", "smoker")
    practice.write("people-1.csv", ("p1", "1950-01-01", "no"), ("p2", "1960", ""), head=head)
    practice.write("people-2.csv", ("p1", "1950-01-01", "Current"), ("p2", "1960", ""), head=head)
    practice.run()
    assert practice.loads()[1:] == [("people-1.csv", 2, 1, 0, 1), ("people-2.csv", 2, 1, 1, 0)]
    with practice.open() as store:
        people = store.read(INPUT_TABLES["patients"]).sort("patient_id")
        assert people.select("patient_id", "birth_year", "smoker").rows() == [("p1", 1950, True), ("p2", 1960, None)]


@pytest.mark.thorough
def test_editing_the_toml_and_running_again_reads_the_files_anew(practice: Folder):
    practice.write("ledger-1.csv", CROWN, ("p1", "2020-03-01", "D2740", "26"))
    practice.write("ledger-2.csv", CROWN, ENDO)
    practice.run()
    assert practice.loads() == [("ledger-1.csv", 2, 2, 0, 0), ("ledger-2.csv", 2, 1, 1, 0)]
    practice.toml(PRACTICE.replace("universal", "fdi") + '[tables.procedures]\nfiles = ["ledger*.csv"]\n')
    report = practice.run()
    # 14 is a tooth in both notations, 26 too; 19 is none in this one.
    assert report.files_read == 2
    assert practice.loads() == [("ledger-1.csv", 2, 2, 0, 0), ("ledger-2.csv", 2, 0, 1, 1)]
    with practice.open() as store:
        assert store.read(PROCEDURES)["tooth_fdi"].sort().to_list() == [14, 26]
    practice.toml(PRACTICE + '[tables.procedures]\nfiles = ["ledger*.csv"]\n[rules]\nlab_days = 10\n')
    practice.run()
    assert practice.loads() == [("ledger-1.csv", 2, 2, 0, 0), ("ledger-2.csv", 2, 1, 1, 0)]
    assert practice.run().files_read == 0  # a rule of linking is none of reading


def test_a_code_made_to_mean_something_decides_whether_its_row_needs_a_tooth(practice: Folder):
    practice.write("ledger.csv", ("p1", "2020-03-01", "ZZ1", ""))
    practice.run()
    assert practice.loads() == [("ledger.csv", 1, 1, 0, 0)]
    practice.toml(PRACTICE + '[tables.procedures]\nfiles = ["ledger.csv"]\n[codes]\nZZ1 = "crown"\n')
    practice.run()
    assert practice.reasons() == [("ledger.csv", 1, "tooth", None, "tooth_missing")]


def test_new_rows_put_the_later_stages_out_of_date(practice: Folder):
    practice.write("ledger-1.csv", CROWN, ENDO)
    practice.run()
    columns = {c: SET_ASIDE.schema[c] for c in ("load_id", "row_number", "part", "field", "reason")}
    aside = pl.DataFrame([(1, 1, 1, "tooth", "r")], schema=columns, orient="row")
    with practice.open() as store:
        store.set_aside(aside)
        store.mark_done("link")
    practice.run()
    with practice.open() as store:
        assert store.is_done("link")
        assert store.read(LOADS)["loaded"].to_list() == [1]
    practice.write("ledger-2.csv", FILLED)
    practice.run()
    with practice.open() as store:
        assert not store.is_done("link")
        assert store.read(LOADS).sort("load_id")["loaded"].to_list() == [2, 1]


def test_optional_words_that_are_not_known_are_counted(practice: Folder):
    practice.write("ledger.csv", (*CROWN, "toothache"), (*ENDO, "caries"), head=(*HEAD, "reason"))
    practice.run()
    with practice.open() as store:
        assert store.read(FIELD_NOTES).rows() == [(1, "reason", "unrecognised", 1)]


def test_the_order_of_day_and_month_is_taken_from_the_whole_file_and_said(practice: Folder):
    days = [f"03/{day:02}/2020" for day in range(1, 13)] * 10_000 + ["03/13/2020"]
    practice.write("ledger.csv", *(("p1", day, "D0120", "") for day in days))
    practice.run()
    with practice.open() as store:
        assert store.read(PROCEDURES)["service_date"].dt.month().unique().to_list() == [3]
    assert 'procedures: ledger.csv: column "service_date" (service_date) is read as month/day/year' in practice.said


def test_an_ambiguous_column_stops_the_run_and_nothing_is_half_written(practice: Folder):
    practice.write("ledger-1.csv", CROWN)
    practice.run()
    before = practice.everything()
    practice.write("ledger-2.csv", ENDO)
    practice.write("ledger-3.csv", ("p1", "03/04/2020", "D0120", ""))
    with pytest.raises(
        DataError, match=r'ledger-3.csv: column "service_date".*\n.*\[tables.procedures\] write date_format'
    ):
        practice.run()
    assert all(a.equals(b) for a, b in zip(before, practice.everything(), strict=True))
    practice.toml(PRACTICE + '[tables.procedures]\nfiles = ["ledger-3.csv"]\ndate_format = "%d/%m/%Y"\n')
    practice.run()
    with practice.open() as store:
        assert store.read(PROCEDURES)["service_date"].sort().to_list() == [dt.date(2020, 3, 1), dt.date(2020, 4, 3)]
    assert "procedures: 1 of the files read earlier are not listed now; their rows stay" in practice.said


def test_a_comma_far_down_a_file_reads_it_again_and_leaves_other_files_alone(
    practice: Folder, monkeypatch: pytest.MonkeyPatch
):
    head = (*HEAD, "fee")
    accepted = 'accepted = ["patients_seen_once"]\ndate_format = "%Y-%m-%d"\n'
    practice.toml(PRACTICE + accepted + '[tables.procedures]\nfiles = ["ledger*.csv"]\n')
    ledgers = {"ledger1.csv": "100", "ledger2.csv": "200,50", "ledger3.csv": "300.25"}
    for n, (name, last) in enumerate(ledgers.items()):
        rows = [(f"p{n}{i}", "2020-03-01", "D0120", "", "80") for i in range(400)]
        practice.write(name, *rows, (f"p{n}", "2020-03-02", "D0120", "", last), head=head)
    monkeypatch.setattr("pipeline.storing.appending._BULK", 100)
    monkeypatch.setattr("pipeline.reading.read_file.in_few", in_halves)
    practice.run()
    assert practice.loads() == [(name, 401, 401, 0, 0) for name in ledgers]
    with practice.open() as store:
        last = store.read(PROCEDURES).filter(pl.col("fee") != 80).sort("fee")
    assert last.select("patient_id", "fee").rows() == [("p0", 100.0), ("p1", 200.5), ("p2", 300.25)]


def test_rows_set_aside_of_two_files_wait_apart_where_they_are_many(practice: Folder, monkeypatch: pytest.MonkeyPatch):
    practice.write("ledger1.csv", ("p1", "someday", "D2740", "14"), CROWN)
    practice.write("ledger2.csv", ("p2", "never", "D2740", "14"), ENDO)
    monkeypatch.setattr("pipeline.reading.read_file._MOST_WAITING", 0)
    practice.run()
    assert practice.reasons() == [
        ("ledger1.csv", 1, "service_date", "someday", "date_unreadable"),
        ("ledger2.csv", 1, "service_date", "never", "date_unreadable"),
    ]


def test_a_pattern_without_files_is_found_before_anything_is_made(practice: Folder):
    with pytest.raises(ConfigError, match="nothing matches"):
        practice.run()
    assert not (practice.path / "practice.duckdb").exists()


def test_parquet_and_csv_of_the_same_rows_are_the_same_rows(practice: Folder):
    practice.write("ledger.csv", CROWN, FILLED)
    frame = pl.DataFrame([CROWN, FILLED], schema=list(HEAD), orient="row")
    frame.with_columns(pl.col("service_date").str.to_date(), pl.col("tooth").cast(pl.Float64)).write_parquet(
        practice.path / "ledger.parquet"
    )
    practice.toml(PRACTICE + '[tables.procedures]\nfiles = ["ledger.csv", "ledger.parquet"]\n')
    practice.run()
    assert practice.loads() == [("ledger.csv", 2, 2, 0, 0), ("ledger.parquet", 2, 0, 2, 0)]


def test_every_input_table(practice: Folder):
    practice.write("ledger.csv", CROWN)
    practice.write(
        "endo.csv", ("p1", "14", "2020-01-01", "6"), head=("patient_id", "tooth", "service_date", "preop_pai")
    )
    practice.write(
        "crowns.csv", ("p1", "14", "zirconia"), ("p1", "14", "zirconia"), head=("patient_id", "tooth", "material")
    )
    practice.write("exams.csv", ("p1", "14", "2021-01-01", "2"), head=("patient_id", "tooth", "exam_date", "pai"))
    practice.write("people.csv", ("p1", "f"), head=("patient_id", "sex"))
    files = {
        "procedures": "ledger",
        "patients": "people",
        "endo_details": "endo",
        "crown_details": "crowns",
        "findings": "exams",
    }
    practice.toml(PRACTICE + "".join(f'[tables.{table}]\nfiles = ["{name}.csv"]\n' for table, name in files.items()))
    practice.run()
    assert [load[1:] for load in practice.loads()] == [
        (1, 1, 0, 0),
        (1, 1, 0, 0),
        (1, 1, 0, 0),
        (2, 1, 1, 0),
        (1, 1, 0, 0),
    ]
    with practice.open() as store:
        assert [store.read(INPUT_TABLES[t]).height for t in files] == [1, 1, 1, 1, 1]
        assert store.read(FIELD_NOTES).select("field", "note").rows() == [("preop_pai", "out_of_range")]


def test_no_patient_value_is_said(practice: Folder):
    practice.write(
        "ledger.csv", ("Mrs Secret", "01/02/2020", "D2740", "77"), ("Mrs Secret", "01/25/2020", "D2740", "14")
    )
    practice.run()
    assert not any("Secret" in line or "77" in line for line in practice.said)
