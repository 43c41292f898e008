"""A process that is killed in mid-ingest leaves the former state or the new one, and the next run completes."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

from pipeline.store import open_store
from pipeline.tables import LOADS, PROCEDURES, QUARANTINE

ROWS = 150_000
KILLS = 8
CHILD = """
import datetime as dt, sys
from pathlib import Path
from pipeline.config import load_settings
from pipeline.ingest import ingest

settings = load_settings(Path(sys.argv[1]))
print("ready", flush=True)
ingest(settings, today=dt.date(2026, 1, 31), say=lambda _: None)
"""
TOML = '[practice]\ntooth_notation = "fdi"\n[tables.procedures]\nfiles = ["ledger-*.csv"]\n'


def write_ledger(path: Path, patients: str) -> None:
    # One row in a hundred names no tooth that there is.
    rows = (f"{patients}{n},2020-03-{1 + n % 28:02},D2740,{99 if n % 100 == 0 else 11 + n % 8}\n" for n in range(ROWS))
    path.write_text("patient_id,service_date,code,tooth\n" + "".join(rows), encoding="utf-8")


def start(toml: Path) -> subprocess.Popen[str]:
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(toml)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    assert child.stdout.readline() == "ready\n"
    return child


def state(database: Path) -> tuple[tuple[int, ...], int, int]:
    with open_store(database) as store:
        loads = store.read(LOADS).sort("load_id")
        assert (loads["rows_read"] == loads["loaded"] + loads["duplicate"] + loads["quarantined"]).all()
        return tuple(loads["loaded"]), store.read(PROCEDURES, ["load_id"]).height, store.read(QUARANTINE).height


def test_a_kill_at_any_moment_leaves_the_former_or_the_new_state(tmp_path: Path):
    toml, database = tmp_path / "practice.toml", tmp_path / "practice.duckdb"
    toml.write_text(TOML, encoding="utf-8")
    write_ledger(tmp_path / "ledger-1.csv", "a")
    assert start(toml).wait() == 0
    good = ROWS * 99 // 100
    former = ((good,), good, ROWS - good)
    new = ((good, good), 2 * good, 2 * (ROWS - good))
    assert state(database) == former

    write_ledger(tmp_path / "ledger-2.csv", "b")
    whole_copy = database.read_bytes()
    child = start(toml)
    begun = time.monotonic()
    assert child.wait() == 0
    usual = time.monotonic() - begun
    assert state(database) == new
    generator = random.Random(11)
    seen = set()
    for kill in range(KILLS):
        database.write_bytes(whole_copy)
        child = start(toml)
        time.sleep((kill + generator.random()) / KILLS * usual)  # spread over the run, at random within each part
        child.kill()
        child.wait()
        found = state(database)
        assert found in (former, new)
        seen.add(found)
    assert former in seen
    assert start(toml).wait() == 0
    assert state(database) == new
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "ledger-1.csv",
        "ledger-2.csv",
        "practice.duckdb",
        "practice.toml",
    ]
