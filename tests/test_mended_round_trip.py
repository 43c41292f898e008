"""Set aside, mended in a spreadsheet, loaded again: every row counts once, and the sums hold."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from pipeline.practice.tables import LOADS, PROCEDURES, QUARANTINE
from pipeline.reading.config import load_settings
from pipeline.stages.checks.check import check
from pipeline.stages.ingest import ingest, set_aside_stage
from pipeline.storing.store import open_store

TODAY = dt.date(2026, 1, 31)
TOML = """
[practice]
tooth_notation = "universal"
[tables.procedures]
files = ["ledger*.csv"]
columns = { patient_id = "Pat", service_date = "Date", code = "Code", tooth = "Tooth" }
"""
# Only the third row shows that the day comes first. Rows 2, 4 and 5 are set aside.
LEDGER = """Pat,Date,Code,Tooth
007,01/02/2020,D2740,3
008,05/02/2020,D2740,99
009,25/02/2020,D3330,14
010,06/02/2020,D3330,
011,xx,D2740,5
"""


class Practice:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "practice.toml").write_text(TOML, encoding="utf-8")
        (folder / "ledger.csv").write_text(LEDGER, encoding="utf-8")

    def run(self, *, more: str = "") -> None:
        (self.folder / "practice.toml").write_text(TOML + more, encoding="utf-8")
        settings = load_settings(self.folder / "practice.toml")
        ingest(settings, today=TODAY, say=lambda _: None, keep_ids=True)

    def write_out(self) -> list[Path]:
        settings = load_settings(self.folder / "practice.toml")
        return set_aside_stage(settings, self.folder / "out", say=lambda _: None)

    def rows(self) -> list[str]:
        with open_store(self.folder / "practice.duckdb") as store:
            rows = store.read(PROCEDURES).select(
                "patient_id", pl.col("service_date").cast(pl.String), "code", "tooth_fdi"
            )
        return sorted(" ".join(map(str, row)) for row in rows.rows())

    def loads(self) -> list[tuple[object, ...]]:
        """file, read, loaded, duplicate, quarantined."""
        with open_store(self.folder / "practice.duckdb") as store:
            frame = store.read(LOADS).sort("load_id")
            return frame.select("file", "rows_read", "loaded", "duplicate", "quarantined").rows()

    def aside(self) -> list[tuple[object, ...]]:
        with open_store(self.folder / "practice.duckdb") as store:
            return store.read(QUARANTINE).select("file", "row_number", "reason").sort("file", "row_number").rows()


@pytest.fixture
def practice(tmp_path: Path) -> Practice:
    made = Practice(tmp_path)
    made.run()
    return made


def mend(path: Path, to: Path, **changes: dict[str, str]) -> None:
    """Copy a file of rows set aside; `row2={"Tooth": "5"}` changes its row 2, `row4={}` takes row 4 out."""
    with path.open(encoding="utf-8-sig", newline="") as stream:
        first = next(stream)
        rows = list(csv.DictReader(stream))
    kept = [
        row | changes.get(f"row{row['set_aside_row']}", {})
        for row in rows
        if changes.get(f"row{row['set_aside_row']}") != {}
    ]
    with to.open("w", encoding="utf-8", newline="") as stream:
        stream.write(first)  # what the file holds; a copy without it loads as well
        writer = csv.DictWriter(stream, rows[0].keys())
        writer.writeheader()
        writer.writerows(kept)


CORRECTED = 'corrected = ["mended*.csv"]\n'
BEFORE = ["007 2020-02-01 D2740 16", "009 2020-02-25 D3330 26"]


def test_a_mended_row_counts_once_and_an_unchanged_one_stays_set_aside(practice: Practice):
    (path,) = practice.write_out()
    mend(path, practice.folder / "mended.csv", row2={"Tooth": "4"}, row5={})
    practice.run(more=CORRECTED)
    assert practice.rows() == sorted([*BEFORE, "008 2020-02-05 D2740 15"])
    assert practice.loads() == [("ledger.csv", 5, 2, 0, 3), ("mended.csv", 2, 1, 1, 0)]
    assert practice.aside() == [
        ("ledger.csv", 2, "corrected"),
        ("ledger.csv", 4, "tooth_missing"),
        ("ledger.csv", 5, "date_unreadable"),
    ]


@pytest.mark.thorough
def test_running_again_or_under_other_settings_comes_to_the_same(practice: Practice):
    (path,) = practice.write_out()
    mend(path, practice.folder / "mended.csv", row2={"Tooth": "4"}, row5={})
    practice.run(more=CORRECTED)
    before = practice.rows(), practice.loads(), practice.aside()
    practice.run(more=CORRECTED)
    assert (practice.rows(), practice.loads(), practice.aside()) == before
    practice.run(more=CORRECTED + 'values.status = { "C" = "completed" }\n')  # every file is read again
    assert (practice.rows(), practice.loads(), practice.aside()) == before


@pytest.mark.thorough
def test_a_row_that_other_settings_make_readable_does_not_count_beside_its_mended_copy(practice: Practice):
    (path,) = practice.write_out()
    mend(path, practice.folder / "mended.csv", row2={}, row4={}, row5={"Date": "07/02/2020"})
    practice.run(more=CORRECTED)
    practice.run(more=CORRECTED + 'values.service_date = { "xx" = "08/02/2020" }\n')
    assert practice.rows() == sorted([*BEFORE, "011 2020-02-07 D2740 14"])
    assert practice.loads() == [("ledger.csv", 5, 2, 0, 3), ("mended.csv", 1, 1, 0, 0)]


@pytest.mark.thorough
def test_a_row_mended_wrongly_is_set_aside_with_its_new_reason_and_can_be_mended_again(practice: Practice):
    (path,) = practice.write_out()
    mend(path, practice.folder / "mended1.csv", row2={"Tooth": "4", "Date": "zz"}, row4={}, row5={})
    practice.run(more=CORRECTED)
    assert ("ledger.csv", 2, "corrected") in practice.aside()
    assert ("mended1.csv", 1, "date_unreadable") in practice.aside()
    again = next(p for p in practice.write_out() if "mended1" in p.name)
    mend(again, practice.folder / "mended2.csv", row1={"Date": "05/02/2020"})
    practice.run(more=CORRECTED)
    assert practice.rows() == sorted([*BEFORE, "008 2020-02-05 D2740 15"])
    assert ("mended1.csv", 1, "corrected") in practice.aside()
    assert all(read == sum(parts) for _, read, *parts in practice.loads())


def test_of_two_mended_copies_of_a_row_the_later_counts(practice: Practice):
    (path,) = practice.write_out()
    mend(path, practice.folder / "mended1.csv", row2={"Tooth": "4"}, row4={}, row5={})
    practice.run(more=CORRECTED)
    mend(path, practice.folder / "mended1.csv", row2={"Tooth": "5"}, row4={}, row5={})  # the same file, edited again
    practice.run(more=CORRECTED)
    assert practice.rows() == sorted([*BEFORE, "008 2020-02-05 D2740 14"])
    assert [load[2:] for load in practice.loads()] == [(2, 0, 3), (0, 0, 1), (1, 0, 0)]


def test_what_was_mended_is_not_written_out_again(practice: Practice):
    (path,) = practice.write_out()
    mend(path, practice.folder / "mended.csv", row2={"Tooth": "4"}, row4={"Tooth": "8"}, row5={"Date": "01/03/2020"})
    practice.run(more=CORRECTED)
    assert practice.write_out() == []
    assert len(practice.rows()) == 5


def test_a_check_reads_mended_rows_as_a_run_does(practice: Practice):
    (path,) = practice.write_out()
    # Alone, both of these days could be read either way: the file that they come from tells the order.
    mend(path, practice.folder / "mended.csv", row2={"Tooth": "4"}, row4={"Tooth": "8"}, row5={})
    practice.run(more=CORRECTED)
    checked = check(load_settings(practice.folder / "practice.toml"), today=TODAY)
    assert checked.exit_code == 0, checked.text
    assert "procedures: 1 file, 7 rows" in checked.text
    assert "mended: 2 of these rows" in checked.text
    assert "set aside: 3 of 7 rows" in checked.text
    assert "service_date: 2020-02 to 2020-02, read day/month" in checked.text


def test_a_check_refuses_what_is_listed_as_mended_and_is_not(practice: Practice):
    (practice.folder / "mended.csv").write_text(LEDGER, encoding="utf-8")
    (practice.folder / "practice.toml").write_text(TOML + CORRECTED, encoding="utf-8")
    checked = check(load_settings(practice.folder / "practice.toml"), today=TODAY)
    assert checked.exit_code == 1
    assert "has no column" in checked.text


def test_a_mended_row_stays_in_the_section_that_it_stood_in(tmp_path: Path):
    practice = Practice(tmp_path)
    more = 'status_from."(section)" = { Planned = "planned" }\n'
    text = "Pat,Date,Code,Tooth\n007,01/02/2020,D2740,3\nPlanned,,,\n008,25/02/2020,D2740,99\n"
    (practice.folder / "ledger.csv").write_text(text, encoding="utf-8")
    practice.run(more=more)
    (out,) = practice.write_out()
    mend(out, practice.folder / "mended.csv", row3={"Tooth": "14"}, row2={})
    practice.run(more=more + 'corrected = ["mended.csv"]\n')
    with open_store(practice.folder / "practice.duckdb") as store:
        rows = (
            store.read(PROCEDURES)
            .sort("patient_id")
            .select("patient_id", "tooth_fdi", pl.col("status").cast(pl.String))
        )
    assert rows.rows() == [("007", 16, "completed"), ("008", 26, "planned")]
