"""Odd files as practices send them: each gives the right rows, or a message that the front desk can act on.

A folder of `corpus/` is one case: its files, a practice.toml, and expected.toml (`about`, `outcome`, `exit`, the
counts, the rows of a table, the rows set aside, or pieces of the message; `check` where
that ends otherwise). Files that do not keep well are made by the case's make.py.

The `outcome` is how the case ends for the office: `right` (all work is loaded, as it was meant), `right question` (the
load stops and asks for a setting that mends it), `clear refusal` (it stops and says what is wrong with the file or the
TOML), `lost but told` (work is set aside, row by row and with the reason), or `wrong` (work is loaded as something
else, or left out, without a word), of which there may be none. OUTCOMES below holds how many there are of each.
"""

from __future__ import annotations

import datetime as dt
import importlib.util
import shutil
import tomllib
from collections import Counter
from pathlib import Path

import pytest

from pipeline.machine.errors import PipelineError
from pipeline.practice.tables import INPUT_TABLES, LOADS, PROCEDURES, QUARANTINE
from pipeline.reading.config import load_settings
from pipeline.stages.checks import check
from pipeline.stages.ingest import ingest
from pipeline.storing.store import open_store

TODAY = dt.date(2026, 1, 31)
CASES = sorted(p.parent for p in (Path(__file__).parent / "corpus").glob("*/expected.toml"))
COLUMNS = ("patient_id", "service_date", "code", "tooth_fdi", "status")
# To be raised with each case; a `wrong` one is never to stay.
OUTCOMES = {"right": 508, "right question": 302, "clear refusal": 67, "lost but told": 70, "wrong": 0}
COUNTS = {"read": "rows_read", "loaded": "loaded", "duplicate": "duplicate", "reversed": "reversed"}


def test_there_are_many_cases():
    assert len(CASES) >= 600


def test_every_case_has_its_outcome_and_none_is_wrong():
    found = Counter(tomllib.loads((c / "expected.toml").read_text(encoding="utf-8"))["outcome"] for c in CASES)
    print("\n".join(f"{outcome:>14}: {found[outcome]:3}" for outcome in OUTCOMES))
    assert found.keys() <= OUTCOMES.keys()
    assert {outcome: found[outcome] for outcome in OUTCOMES} == OUTCOMES
    assert OUTCOMES["wrong"] == 0


@pytest.mark.one_in(60, thorough=5)
@pytest.mark.parametrize("case", CASES, ids=[c.name for c in CASES])
def test_odd_files(case: Path, tmp_path: Path):
    expected = tomllib.loads((case / "expected.toml").read_text(encoding="utf-8"))
    folder = tmp_path / "practice"
    shutil.copytree(case, folder, symlinks=True, ignore=shutil.ignore_patterns("expected.toml", "__pycache__"))
    if (make := folder / "make.py").exists():
        run_make(make, folder)
    said: list[str] = []
    # What check says is what loading does; but a ledger of which no row can be loaded is no error to the latter.
    assert checked(folder / "practice.toml") == expected.get("check", expected["exit"])
    if expected["exit"]:
        with pytest.raises(PipelineError) as refusal:
            ingest(load_settings(folder / "practice.toml"), today=TODAY, say=said.append, keep_ids=True)
        assert refusal.value.exit_code == expected["exit"], str(refusal.value)
        for piece in expected["message"]:
            assert piece in str(refusal.value)
        return
    settings = load_settings(folder / "practice.toml")
    ingest(settings, today=TODAY, say=said.append, keep_ids=True)
    for piece in expected.get("said", []):
        assert any(piece in line for line in said), said
    with open_store(settings.practice.database) as store:
        loads, quarantine = store.read(LOADS), store.read(QUARANTINE)
        table = INPUT_TABLES[expected.get("table", PROCEDURES.name)]
        rows = store.read(table)
    for name, column in COUNTS.items():
        if name in expected:
            assert loads[column].sum() == expected[name], name
    if "quarantined" in expected:
        assert loads["quarantined"].sum() == expected["quarantined"] == quarantine.height
    sums = loads["loaded"] + loads["duplicate"] + loads["reversed"] + loads["quarantined"]
    assert (loads["rows_read"] == sums).all()
    if "rows" in expected:
        columns = expected.get("columns", COLUMNS)
        found = ("|".join(map(as_text, row)) for row in rows.select(columns).iter_rows())
        assert sorted(found) == sorted(expected["rows"])
    if "aside" in expected:
        aside = quarantine.sort("file", "row_number").select("row_number", "reason").iter_rows()
        assert [f"{number}|{reason}" for number, reason in aside] == expected["aside"]


def checked(toml: Path) -> int:
    try:
        return check(load_settings(toml), today=TODAY).exit_code
    except PipelineError as refusal:
        return refusal.exit_code


def as_text(value: object) -> str:
    return "" if value is None else str(value).lower() if isinstance(value, bool) else str(value)


def run_make(path: Path, folder: Path) -> None:
    spec = importlib.util.spec_from_file_location("make_case", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.make(folder)
    path.unlink()
