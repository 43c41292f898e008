"""Opened root canals moved elsewhere: which rows go, which come, and that the rest of the files stays."""

import csv
import shutil
from collections import Counter

import polars as pl
import pytest
from moved_openings import ROOT_CANALS, move_openings_elsewhere
from plain_reader import read_practice

from synthetic_data.generate import simulate
from synthetic_data.truth import DEFAULT

ENDO = {*ROOT_CANALS, "D3220", "D3221"}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    simulate(folder, crowns=600, seed=3, truth=DEFAULT.with_referrals(0.0))
    return folder


@pytest.fixture
def moved(demo, tmp_path):
    shutil.copytree(demo, tmp_path / "p")
    return tmp_path / "p", move_openings_elsewhere(tmp_path / "p", share=0.5, seed=2)


def openings(folder):
    with (folder / "truth" / "crowns.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    return [
        r for r in rows if r["opening_charted"] == "here" and r["crown_kind"] == "single" and r["made_here"] == "true"
    ]


def rows_of(folder):
    tables, *_ = read_practice(folder)
    return tables


def test_half_of_the_opened_crowns_are_moved_in_three_ways(demo, moved):
    folder, told = moved
    through = [c for c in openings(demo) if c["endo_timing"] == "through_crown"]
    assert told.height == round(0.5 * len(through))
    assert set(told["charted"]) == {"dated", "undated", "not"}
    assert told.filter(pl.col("charted") == "dated")["access_date"].null_count() == 0
    assert set(told.filter(pl.col("charted") == "dated")["endo_timing"]) == {"through_crown"}
    assert set(told.filter(pl.col("charted") == "undated")["endo_timing"]) == {None}
    assert set(told.filter(pl.col("charted") == "not")["endo_timing"]) == {"vital"}
    assert told["hint_date"].count() > 0
    assert told.filter(pl.col("hint_date").is_not_null(), pl.col("charted") != "not").is_empty()
    assert (folder / "truth" / "moved.csv").read_text(encoding="utf-8").count("\n") == told.height + 1


def test_the_rows_of_a_moved_course_are_gone_and_what_is_known_of_it_is_there(moved):
    folder, told = moved
    tables = rows_of(folder)
    seen = {(r["patient_id"], r["service_date"]) for r in tables["procedures"] if r["status"] == "completed"}
    for row in told.iter_rows(named=True):
        tooth = row["patient_id"], int(row["tooth_fdi"])
        mine = [r for r in tables["procedures"] if (r["patient_id"], r["fdi"]) == tooth]
        done = [r for r in mine if r["code"] in ENDO and r["status"] == "completed"]
        assert not [r for r in done if r["service_date"] == row["opened"]]
        told_of = [
            r for r in tables["elsewhere"] if (r["patient_id"], r["fdi"]) == tooth and r["event"] == "root_canal"
        ]
        existing = [r for r in mine if r["code"] in ENDO and r["status"] == "existing"]
        dates = [r["event_date"] for r in told_of] + [r["service_date"] for r in existing]
        assert dates == {"dated": [row["opened"]], "undated": [None], "not": []}[row["charted"]]
        assert not [r for r in tables["endo_details"] if (r["patient_id"], r["fdi"]) == tooth]
        if row["charted"] == "dated":
            assert (row["patient_id"], row["opened"]) not in seen


@pytest.mark.thorough
def test_nothing_else_changes(demo, moved):
    folder, told = moved
    teeth = {(p, int(t)) for p, t in zip(told["patient_id"], told["tooth_fdi"], strict=True)}
    before, after = rows_of(demo), rows_of(folder)
    for table in ("patients", "crown_details", "findings"):
        assert before[table] == after[table]

    def rest(tables):
        return Counter(
            tuple(map(str, r.values())) for r in tables["procedures"] if (r["patient_id"], r["fdi"]) not in teeth
        )

    assert rest(before) == rest(after)
    crowns = [{r["procedure_id"] for r in t["procedures"] if r["code"] in ("D2740", "D2750")} for t in (before, after)]
    assert crowns[0] == crowns[1]


def test_the_same_seed_moves_the_same(demo, tmp_path):
    told = []
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        shutil.copytree(demo, tmp_path / name)
        told.append(move_openings_elsewhere(tmp_path / name, share=0.3, seed=seed))
    assert told[0].equals(told[1])
    assert not told[0].equals(told[2])
    for path in sorted((tmp_path / "a" / "exports").iterdir()):
        assert path.read_bytes() == (tmp_path / "b" / "exports" / path.name).read_bytes()


def test_one_way_alone(demo, tmp_path):
    shutil.copytree(demo, tmp_path / "p")
    told = move_openings_elsewhere(tmp_path / "p", share=0.4, ways={"not": 1.0})
    assert set(told["charted"]) == {"not"}
    assert set(told["endo_timing"]) == {"vital"}


def test_more_than_there_are_is_refused(demo, tmp_path):
    shutil.copytree(demo, tmp_path / "p")
    before = (tmp_path / "p" / "exports" / "ledger-2015.csv").read_bytes()
    with pytest.raises(ValueError, match="can be moved"):
        move_openings_elsewhere(tmp_path / "p", share=1.5)
    assert (tmp_path / "p" / "exports" / "ledger-2015.csv").read_bytes() == before
