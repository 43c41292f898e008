"""Films read blind and the form at the chair, as a practice meets them: made, filled in, and loaded again."""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
from pathlib import Path

import duckdb
import polars as pl
import pytest
import xlsxwriter
from calling import toothyears

from dashboards.pages import chair_form
from pipeline.practice.fields import input_fields, normal_word, word_lookup
from pipeline.practice.tables import CROWN_DETAILS, ENDO_DETAILS
from pipeline.reading.sources.excel_book import read_sheets
from tests.recounts import without_recounts

SMALL = Path(__file__).resolve().parents[2] / "synthetic_data" / "small"


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("readings") / "practice"
    shutil.copytree(SMALL, folder)
    for stage in ("ingest", "link"):
        done = toothyears(stage, "practice.toml", cwd=folder)
        assert done.returncode == 0, done.stderr
    return folder


def refilled(sheet: Path, to: Path, page: str, rows: dict[int, dict[str, object]]) -> Path:
    """The workbook with cells of `page` filled in, by row of the spreadsheet and heading."""
    book = xlsxwriter.Workbook(to)
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    for name, cells, _ in read_sheets(sheet, ()):
        made = book.add_worksheet(name)
        for row, line in enumerate(cells.iter_rows()):
            for column, text in enumerate(line):
                if text is not None:
                    made.write_string(row, column, text)
        if name == page:
            heads = list(cells.row(1))
            for row, values in rows.items():
                for head, value in values.items():
                    made.write(row - 1, heads.index(head), value, *([day] if hasattr(value, "year") else []))
    book.close()
    return to


def stored(practice: Path, query: str) -> pl.DataFrame:
    with duckdb.connect(str(practice / "practice.duckdb"), read_only=True) as database:
        return database.sql(query).pl()


def add_file(practice: Path, table: str, name: str) -> None:
    toml = practice / "practice.toml"
    text = toml.read_text(encoding="utf-8")
    changed = re.sub(rf'(\[tables\.{table}\]\nfiles = \[)("[^"]+")', rf'\1\2, "{name}"', text)
    assert changed != text
    toml.write_text(changed, encoding="utf-8")


def test_films_are_read_blind_loaded_and_those_that_differ_go_to_a_third(practice: Path) -> None:
    before = stored(practice, "SELECT * FROM findings").height
    # Readers who are named among the records, or twice, are refused; so is a list and its filling-in at once.
    assert toothyears("reading-list", "practice.toml", cwd=practice).returncode == 2
    twice = toothyears("reading-list", "practice.toml", "--reader", "ann", "--reader", "ann", cwd=practice)
    assert (twice.returncode, "a name of their own" in twice.stderr) == (2, True)

    done = toothyears("reading-list", "practice.toml", "--reader", "ann", "--reader", "bea", cwd=practice)
    assert done.returncode == 0, done.stderr
    folder = practice / "out" / "reading-lists"
    key = practice / "practice-reading-key-holds-patient-data.csv"
    assert done.stdout.strip().endswith("reading-lists")
    for path in (*folder.iterdir(), key):
        assert path.stat().st_mode & 0o077 == 0
    assert not re.search(r"S\d\d", done.stdout + done.stderr)
    lines = pl.read_csv(key, infer_schema=False)
    assert set(lines["patient_id"]) <= {f"S{n:02}" for n in range(99)}
    n = lines.filter(pl.col("reader") == "ann").height

    sheets = []
    for who, pai in (("ann", 2), ("bea", 4)):
        (made,) = folder.glob(f"films-{who}-*-holds-patient-data.xlsx")
        rows = {3 + i: {"pai": pai} for i in range(n)}
        sheets += ["--filled", refilled(made, practice / f"{who}.xlsx", "films", rows)]
    done = toothyears("reading-list", "practice.toml", *sheets, cwd=practice)
    assert done.returncode == 0, done.stderr
    assert 'film_readers = ["ann", "bea"]' in done.stderr
    shutil.copy(practice / done.stdout.strip(), practice / "readings.xlsx")
    add_file(practice, "findings", "readings*.xlsx")
    for stage in ("ingest", "link"):
        done = toothyears(stage, "practice.toml", cwd=practice)
        assert done.returncode == 0, done.stderr
    rows = stored(practice, "SELECT reader, reading, pai, exam_date, tooth_fdi, patient_id FROM findings")
    assert rows.height == before + 2 * n
    counted = rows.drop_nulls("reader").group_by("reader", "reading", "pai").len().sort("reader", "reading").rows()
    again = lines.filter((pl.col("reader") == "ann") & (pl.col("reading") == "2")).height
    assert counted == [("ann", 1, 2, n - again), ("ann", 2, 2, again), ("bea", 1, 4, n - again), ("bea", 2, 4, again)]
    # The same films as the chart's readings, under the same patients.
    film = ["patient_id", "tooth_fdi", "exam_date"]
    named, chart = rows.drop_nulls("reader"), rows.filter(pl.col("reader").is_null())
    assert named.join(chart, on=film, how="anti").is_empty()

    # With film_readers nobody else's reading counts: by bea no film shows a tooth healed.
    toml = practice / "practice.toml"
    plain = toml.read_text(encoding="utf-8")
    toml.write_text(plain.replace("[practice]\n", '[practice]\nfilm_readers = ["bea", "Bea"]\n', 1), encoding="utf-8")
    with without_recounts():  # of the main comparison, on which no film bears
        done = toothyears("compare", "practice.toml", cwd=practice)
    assert done.returncode == 0, done.stderr
    toml.write_text(plain, encoding="utf-8")
    results = json.loads((practice / "out" / "results.json").read_text(encoding="utf-8"))
    assert results["rules"]["film_readers"] == "bea, Bea"
    assert "film_readers names who read no film in these records: Bea\n" in done.stderr
    assert results["recalls"][0]["successes"] == 0 < results["recalls"][0]["recalled"]

    # Who has read the films is not blind to them any more; whoever has not gets those that differ: all.
    known = toothyears("reading-list", "practice.toml", "--reader", "ann", cwd=practice)
    assert (known.returncode, "another name" in known.stderr) == (2, True)
    third = toothyears("reading-list", "practice.toml", "--reader", "cat", "--of", "differing", cwd=practice)
    assert third.returncode == 0, third.stderr
    mine = pl.read_csv(key, infer_schema=False).filter(pl.col("reader") == "cat", pl.col("reading") == "1")
    assert mine.height == n - again
    none = toothyears("reading-list", "practice.toml", "--reader", "bea", "--of", "differing", cwd=practice)
    assert (none.returncode, "nor this one" in none.stderr) == (1, True)


def test_teeth_without_a_day_are_listed_and_wait_for_it(practice: Path) -> None:
    done = toothyears("reading-list", "practice.toml", "--reader", "dan", "--of", "teeth", cwd=practice)
    assert done.returncode == 0, done.stderr
    assert "write the day of each film" in done.stderr
    (made,) = (practice / "out" / "reading-lists").glob("films-dan-*-holds-patient-data.xlsx")
    filled = refilled(made, practice / "dan.xlsx", "films", {3: {"pai": 1}})
    lacking = toothyears("reading-list", "practice.toml", "--filled", filled, cwd=practice)
    assert (lacking.returncode, "has no exam_date in the key" in lacking.stderr) == (1, True)
    key = practice / "practice-reading-key-holds-patient-data.csv"
    rows = pl.read_csv(key, infer_schema=False)
    rows.with_columns(
        exam_date=pl.when(pl.col("reader") == "dan").then(pl.lit("2020-05-01")).otherwise("exam_date")
    ).write_csv(key)
    done = toothyears("reading-list", "practice.toml", "--filled", filled, "--out", "dan", cwd=practice)
    assert done.returncode == 0, done.stderr


def test_the_form_at_the_chair_loads_as_it_is(practice: Path) -> None:
    done = toothyears("chair-form", "practice.toml", "--out", "form", cwd=practice)
    assert done.returncode == 0, done.stderr
    assert (practice / done.stdout.strip()).name == "chair-form.html"
    sheet = practice / "form" / "chair-form-holds-patient-data.xlsx"
    before = {t: stored(practice, f"SELECT * FROM {t}").height for t in ("endo_details", "crown_details")}
    endo = {
        "patient_id": "S01", "tooth": "3", "service_date": dt.date(2015, 2, 1), "difficulty": "high",
        "pulpal_diagnosis": "necrosis", "apical_diagnosis": "chronic_apical_abscess", "preop_pai": 4, "canals": 3,
        "rubber_dam": "yes", "naocl_percent": 2.5, "instrumentation": "hybrid", "visits": 2,
    }  # fmt: skip
    crown = {
        "patient_id": "S01",
        "tooth": "3",
        "seat_date": dt.date(2015, 3, 9),
        "material": "zirconia",
        "post": "none",
    }
    first = refilled(sheet, practice / "half.xlsx", "endo_details", {3: endo, 9: endo | {"tooth": "14"}})
    refilled(first, practice / "chair-form.xlsx", "crown_details", {3: crown})
    for table in before:
        add_file(practice, table, "chair-form*.xlsx")
    done = toothyears("ingest", "practice.toml", cwd=practice)
    assert done.returncode == 0, done.stderr
    # The five lines left empty between the two are set aside as such, and nothing else.
    aside = stored(practice, "SELECT reason FROM quarantine WHERE file LIKE 'chair%'")
    assert aside["reason"].to_list() == ["row_empty"] * 5
    rows = stored(practice, "SELECT * FROM endo_details WHERE difficulty IS NOT NULL ORDER BY tooth_fdi")
    assert rows.height == 2
    assert stored(practice, "SELECT * FROM endo_details").height == before["endo_details"] + 2
    kept = rows.row(0, named=True)
    assert {k: kept[k] for k in endo if k not in ("patient_id", "rubber_dam")} == {
        k: v for k, v in endo.items() if k not in ("patient_id", "rubber_dam")
    }
    assert kept["rubber_dam"] is True
    (seat,) = stored(practice, "SELECT * FROM crown_details WHERE seat_date = '2015-03-09'").iter_rows(named=True)
    assert (seat["material"], seat["post"], seat["margin"]) == ("zirconia", "none", None)
    assert seat["patient_id"] == kept["patient_id"]
    # As it grows it is loaded again: what was there is known.
    more = refilled(practice / "chair-form.xlsx", practice / "more.xlsx", "endo_details", {4: endo | {"tooth": "15"}})
    shutil.move(more, practice / "chair-form.xlsx")
    done = toothyears("ingest", "practice.toml", cwd=practice)
    assert done.returncode == 0, done.stderr
    assert stored(practice, "SELECT * FROM endo_details").height == before["endo_details"] + 3


def test_the_form_is_one_page_with_every_field_of_both_tables(practice: Path) -> None:
    toothyears("chair-form", "practice.toml", "--out", "form", cwd=practice)
    page = (practice / "form" / "chair-form.html").read_text(encoding="utf-8")
    for table in (ENDO_DETAILS, CROWN_DETAILS):
        for asked in chair_form.asked_of(table, {}):
            for word in asked.words:
                assert f"<span>{word}</span>" in page
            told = word_lookup(table.name, asked.field)
            assert not told or {told[normal_word(word)] for word in asked.words} == set(told.values())
    wanted = len(chair_form.asked_of(ENDO_DETAILS, {})) + len(chair_form.asked_of(CROWN_DETAILS, {}))
    assert page.count("<dt>") == wanted
    assert {f for t in (ENDO_DETAILS, CROWN_DETAILS) for f in input_fields(t.name)} == (
        {a.field for t in (ENDO_DETAILS, CROWN_DETAILS) for a in chair_form.asked_of(t, {})}
        | {"patient_id", "tooth", "service_date"}
    )
    assert "script-src" in page
    assert "universal numbering" in page
    sheet = practice / "form" / "chair-form-holds-patient-data.xlsx"
    for table in (ENDO_DETAILS, CROWN_DETAILS):
        ((_, cells, _),) = read_sheets(sheet, [table.name])
        assert set(cells.row(1)) == {*input_fields(table.name), "already_known"}
