"""The hand-made practice: its files, its README and its worked-out results agree, by the pipeline itself."""

import csv
import datetime as dt
import re
import shutil
from pathlib import Path

import polars as pl
import pytest
from plain_reader import read_practice

import synthetic_data
from pipeline.practice.tables import CROWNS, ENDO_COURSES
from pipeline.reading.config import load_settings
from pipeline.stages.run import ingest_stage, link_stage
from pipeline.storing.store import open_store

SMALL = Path(synthetic_data.__file__).parent / "small"


@pytest.fixture(scope="module")
def linked(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small") / "practice"
    shutil.copytree(SMALL, folder)
    settings = load_settings(folder / "practice.toml")
    ingest_stage(settings, today=dt.date(2024, 12, 1), say=lambda _: None, keep_ids=True)
    link_stage(settings, say=lambda _: None)
    with open_store(settings.practice.database, read_only=True) as store:
        return {"crowns": store.read(CROWNS), "courses": store.read(ENDO_COURSES)}


def worked_out(name):
    return pl.read_csv(SMALL / f"expected_{name}.csv", infer_schema=False)


@pytest.mark.parametrize("name", ["crowns", "courses"])
def test_all_is_as_worked_out_by_hand(linked, name):
    """Every column that was worked out, of every row."""
    expected = worked_out(name)
    got = linked[name].select(expected.columns).cast(pl.String)
    assert sorted(got.rows(), key=str) == sorted(expected.rows(), key=str)


def test_rows_add_up_as_the_readme_says():
    rows = sum(len((SMALL / f"ledger-{n}.csv").read_text(encoding="utf-8").splitlines()) - 1 for n in "ab")
    tables, faults, duplicates, _ = read_practice(SMALL)
    assert rows == 85
    assert duplicates == 1
    assert faults == {"tooth_unknown": 1, "date_unreadable": 1}
    assert len(tables["procedures"]) == 85 - 1 - 2


def test_every_patient_is_explained():
    explained = set(re.findall(r"^\| (S\d\d) ", (SMALL / "README.md").read_text(encoding="utf-8"), flags=re.MULTILINE))
    with (SMALL / "patients.csv").open() as stream:
        assert explained == {row["Patient"] for row in csv.DictReader(stream)}
