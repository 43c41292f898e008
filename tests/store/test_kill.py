"""A process that is killed in mid-stage leaves the former state or the new one, and the next run completes."""

from __future__ import annotations

import datetime as dt
import multiprocessing
import random
import shutil
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from pathlib import Path

import pytest

from pipeline.practice.tables import CROWNS, ENDO_COURSES, LOADS, PROCEDURES, QUARANTINE
from pipeline.reading.config import load_settings
from pipeline.results import Counts, Quality, Results
from pipeline.stages import run
from pipeline.storing.own_tables import STAGES
from pipeline.storing.store import open_store
from synthetic_data.generate import simulate

TODAY = dt.date(2026, 1, 31)
# A server that has the libraries loaded and starts each child by a copy of itself: that saves a second a child.
FORKS = multiprocessing.get_context("forkserver")
FORKS.set_forkserver_preload(["pipeline.stages.run", "pytest", "synthetic_data.generate"])


@dataclass(frozen=True)
class State:
    """What a database holds."""

    loads: tuple[tuple[object, ...], ...]
    rows: tuple[int, ...]
    stages: tuple[str, ...]
    results: str | None


def state(database: Path) -> State:
    with open_store(database, must_exist=True) as store:
        loads = store.read(LOADS).sort("load_id")
        counted = loads["loaded"] + loads["duplicate"] + loads["reversed"] + loads["quarantined"]
        assert (loads["rows_read"] == counted).all()
        return State(
            tuple(loads.rows()),
            tuple(store.read(table).height for table in (PROCEDURES, QUARANTINE, CROWNS, ENDO_COURSES)),
            tuple(stage for stage in STAGES if store.is_done(stage)),
            store.text("results"),
        )


def start(toml: Path, stage: str, *, whole: bool) -> ForkServerProcess:
    """A child that runs a stage, just beginning."""
    ready, told = FORKS.Pipe(duplex=False)
    child = FORKS.Process(target=run_stage, args=(toml, stage, whole, told))
    child.start()
    told.close()  # so that a child that fails is heard
    assert ready.recv() == "ready"
    return child


def run_stage(toml: Path, stage: str, whole: bool, told: Connection) -> None:
    settings = load_settings(toml)
    if stage == "compare" and not whole:  # the comparisons themselves take seconds and write nothing
        results = Results("", "", "", Counts(0, 0, 0, 0, 0, 0), (), (), Quality(), (), {}, {}, {})
        run.compare = lambda *_, **__: results  # type: ignore[assignment]
    told.send("ready")
    if stage == "ingest":
        run.ingest_stage(settings, today=TODAY, say=lambda _: None)
    else:
        {"link": run.link_stage, "compare": run.compare_stage}[stage](settings, say=lambda _: None)


def completes(child: ForkServerProcess) -> bool:
    child.join()
    return child.exitcode == 0


def kill_at_random_moments(
    folder: Path, stage: str, *, crowns: int, kills: int, reruns: int, seed: int, whole: bool
) -> None:
    toml = simulate(folder / "practice", crowns=crowns, seed=3, say=lambda _: None)
    settings, database = load_settings(toml), toml.with_suffix(".duckdb")
    later = sorted(toml.parent.glob("exports/*.csv"))[-6:] if stage == "ingest" else []
    for path in later:
        path.rename(path.with_suffix(".later"))
    run.ingest_stage(settings, today=TODAY, say=lambda _: None)
    if stage == "compare":
        run.link_stage(settings, say=lambda _: None)
    for path in later:
        path.with_suffix(".later").rename(path)
    former, copy, log = state(database), folder / "copy.duckdb", database.with_name(f"{database.name}.wal")
    shutil.copyfile(database, copy)
    files = sorted(toml.parent.rglob("*"))

    child, begun = start(toml, stage, whole=whole), time.monotonic()
    assert completes(child)
    usual, new = time.monotonic() - begun, state(database)
    assert new != former
    generator, found = random.Random(seed), []
    for kill in range(kills):
        shutil.copyfile(copy, database)
        child = start(toml, stage, whole=whole)
        time.sleep(
            (kill + generator.random()) / kills * usual * (kill > 0)
        )  # the first at once, others all over the run
        child.kill()
        child.join()
        found.append(state(database))
        assert found[-1] in (former, new)
        if kill >= kills - reruns:
            assert completes(start(toml, stage, whole=whole))
            assert state(database) == new
        left = sorted(toml.parent.rglob("*"))
        # The log of a commit that was cut off may stay until the next write; it is no part of the state.
        assert [p for p in left if p != log or kill >= kills - reruns] == files
        log.unlink(missing_ok=True)  # it belongs to this copy of the database, not to the next
    assert former in found


@pytest.mark.parametrize(
    ("stage", "kills", "reruns"),
    [
        pytest.param("ingest", 4, 1, marks=pytest.mark.thorough),
        pytest.param("link", 4, 1, marks=pytest.mark.thorough),
        pytest.param("compare", 2, 1, marks=pytest.mark.slow),
    ],
)
def test_a_kill_leaves_the_former_or_the_new_state(tmp_path: Path, stage: str, kills: int, reruns: int):
    kill_at_random_moments(tmp_path, stage, crowns=40, kills=kills, reruns=reruns, seed=11, whole=False)


@pytest.mark.slow
@pytest.mark.parametrize(("stage", "kills"), [("ingest", 80), ("link", 80), ("compare", 40)])
def test_two_hundred_kills_leave_the_former_or_the_new_state(tmp_path: Path, stage: str, kills: int):
    kill_at_random_moments(tmp_path, stage, crowns=2000, kills=kills, reruns=kills // 4, seed=12, whole=True)
