"""Linked in parts is linked: the same crowns, courses and teeth under the same numbers, for any number of parts."""

import datetime as dt
import json
import os
import shutil
import signal
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.machine.errors import ConfigError, DataError
from pipeline.practice.settings import Machine, Settings
from pipeline.practice.tables import CROWNS, ENDO_COURSES, QUARANTINE, TOOTH_FOLLOWUP
from pipeline.reading.config import code_table, load_settings
from pipeline.stages import run as stages
from pipeline.stages.run_link import LINK_COUNTS
from pipeline.stages.scale import run_partitions
from pipeline.stages.scale.link_partitions import read_part
from pipeline.storing.rows_to_link import Linking
from pipeline.storing.store import open_store
from pipeline.transforms.link import event_codes

SMALL = Path(__file__).resolve().parents[2] / "synthetic_data" / "small"
TODAY = dt.date(2025, 6, 30)


TABLES = (CROWNS, ENDO_COURSES, TOOTH_FOLLOWUP, QUARANTINE)
Linked = dict[str, pl.DataFrame]


@pytest.fixture(scope="module")
def practices(tmp_path_factory: pytest.TempPathFactory, invented: Path) -> dict[str, Settings]:
    folder = tmp_path_factory.mktemp("practices")
    shutil.copytree(SMALL, folder / "by_hand", ignore=shutil.ignore_patterns("*.duckdb", "*.key", "out"))
    shutil.copytree(invented, folder / "invented")
    out = {name: load_settings(folder / name / "practice.toml") for name in ("by_hand", "invented")}
    stages.ingest_stage(out["by_hand"], today=TODAY, say=lambda _: None)
    return out


def linked(settings: Settings, **how: Any) -> tuple[Linked, str | None]:
    """What the linking stage stores under these settings."""
    stages.link_stage(settings, **({"say": lambda _: None} | how))
    with open_store(settings.practice.database, read_only=True) as store:
        found = {t.name: store.read(t) for t in TABLES}
        assert not store.parts_folder.exists()
        return found | {QUARANTINE.name: found[QUARANTINE.name].sort(pl.all())}, store.text(LINK_COUNTS)


def same(a: tuple[Linked, str | None], b: tuple[Linked, str | None]) -> None:
    for name, rows in a[0].items():
        assert_frame_equal(rows, b[0][name])
    assert a[1] == b[1]


# Of 35 parts some are empty: the practice made by hand has 28 patients.
@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("by_hand", 7),
        *(pytest.param(*case, marks=pytest.mark.thorough) for case in (("by_hand", 35), ("invented", 7))),
        *(pytest.param(*case, marks=pytest.mark.slow) for case in (("by_hand", 2), ("invented", 2), ("invented", 35))),
    ],
)
def test_the_number_of_parts_changes_nothing(practices, name: str, parts: int) -> None:
    whole = linked(practices[name], parts=1)
    assert whole[0]["crowns"].height > 20
    same(linked(practices[name], parts=parts), whole)


@pytest.mark.parametrize(
    "change", [{"renewal_days": 0}, {"crown_repost_days": 400}, {"data_cutoff": dt.date(2015, 6, 30)}]
)
@pytest.mark.thorough
def test_other_rules_too(practices, change: dict) -> None:
    settings = practices["invented"]
    settings = replace(settings, rules=replace(settings.rules, **change))
    same(linked(settings, parts=5), linked(settings, parts=1))


@pytest.mark.thorough
def test_days_that_do_not_stand_are_found_out(tmp_path) -> None:
    """The last row is taken back by a negative fee on its own day: it does not stand, and with it the last day."""
    (tmp_path / "ledger.csv").write_text(
        "patient_id,service_date,code,tooth,fee\nA,2010-01-04,D2740,3,900\nA,2012-01-04,D7140,3,90\n"
        "B,2010-05-03,D2740,4,900\nB,2015-05-04,D0120,,\nB,2019-09-02,D3330,4,700\nB,2019-09-02,D3330,4,-700\n"
    )
    (tmp_path / "practice.toml").write_text(
        '[practice]\nname = "Alder Row Dental"\ntooth_notation = "universal"\ncode_system = "cdt"\n'
        '[tables.procedures]\nfiles = ["ledger.csv"]\n'
    )
    settings = load_settings(tmp_path / "practice.toml")
    stages.ingest_stage(settings, today=TODAY, say=lambda _: None)
    said: list[str] = []
    parted = linked(settings, parts=2, say=said.append)
    assert json.loads(parted[1] or "")["cutoff"] == "2015-05-04"
    assert any("linking anew" in text for text in said)
    same(parted, linked(settings, parts=1))


@pytest.mark.thorough
def test_little_memory_links_in_parts_by_itself(practices, monkeypatch) -> None:
    settings = practices["invented"]
    monkeypatch.setattr(Machine, "rows_linked_at_once", lambda _: 400)
    said: list[str] = []
    small = linked(settings, say=said.append)
    assert any("groups of patients" in text for text in said)
    same(small, linked(settings, parts=1))


@pytest.mark.thorough
def test_a_stopped_run_goes_on_with_what_is_there(practices, monkeypatch) -> None:
    settings = practices["invented"]
    whole = linked(settings, parts=1)
    monkeypatch.setattr(Linking, "replace_linked", _stop)
    with pytest.raises(KeyboardInterrupt):
        stages.link_stage(settings, parts=3, say=lambda _: None)
    monkeypatch.undo()
    said: list[str] = []
    same(linked(settings, parts=3, say=said.append), whole)
    assert [text for text in said if "there already" in text] == ["linking: 3 of 3 are there already"]


def _stop(*_: object, **__: object) -> None:
    raise KeyboardInterrupt


@pytest.mark.thorough
def test_other_rules_do_not_go_on_with_former_parts(practices, monkeypatch) -> None:
    settings = practices["invented"]
    monkeypatch.setattr(Linking, "replace_linked", _stop)
    with pytest.raises(KeyboardInterrupt):
        stages.link_stage(settings, parts=3, say=lambda _: None)
    monkeypatch.undo()
    other = replace(settings, rules=replace(settings.rules, renewal_days=0))
    same(linked(other, parts=3), linked(other, parts=1))


def test_too_little_room_is_told_before_anything_is_written(practices, monkeypatch) -> None:
    settings = practices["invented"]
    before = linked(settings, parts=1)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**9, 10**9 - 5000, 5000))
    with pytest.raises(DataError, match="MB are free"):
        stages.link_stage(settings, parts=3, say=lambda _: None)
    folder = settings.practice.database.with_name(f".{settings.practice.database.name}.parts")
    assert list(folder.iterdir()) == []
    folder.rmdir()
    with open_store(settings.practice.database, read_only=True) as store:
        assert_frame_equal(store.read(CROWNS), before[0]["crowns"])


def test_two_processes_give_what_one_gives(practices) -> None:
    said: list[str] = []
    parted = linked(practices["invented"], parts=4, workers=2, say=said.append)
    same(parted, linked(practices["invented"], parts=1))
    assert any("4 of 4" in text for text in said)


def test_every_patient_is_in_one_part_which_the_id_alone_decides(practices) -> None:
    settings = practices["invented"]
    kinds = event_codes(code_table(settings))
    with open_store(settings.practice.database) as store, store.linking.gathered(kinds, until=None) as gathered:
        whole = gathered.frames()
        places = gathered.write_parts(store.parts_folder / "a", parts=6)
        held = [set(read_part(p, contacts_until=None, fees_kept=True).patients.collect()["patient_id"]) for p in places]
        parted = [read_part(p, contacts_until=None, fees_kept=True).procedures.collect() for p in places]
        assert {place.stat().st_mode & 0o077 for place in places} == {0}
        shutil.rmtree(store.parts_folder)
    assert sum(map(len, held)) == len(set.union(*held)) == whole["patients"].height
    assert_frame_equal(pl.concat(parted), whole["procedures"], check_row_order=False)
    for rows, ids in zip(parted, held, strict=True):
        assert set(rows["patient_id"]) <= ids
    number = duckdb.sql("SELECT [md5_number_lower(p) % 1000 FOR p IN ['P1', 'P2', 'P3']]").fetchall()[0][0]
    assert number == [329, 990, 276]  # fixed for ever: results lie on disks


def _double(place: Path) -> dict[str, pl.DataFrame]:
    return {"twice": pl.read_parquet(place / "n.parquet").select(pl.col("n") * 2)}


def _slow_double(place: Path) -> dict[str, pl.DataFrame]:
    time.sleep(0.4)
    return _double(place)


def _falls_once(place: Path) -> dict[str, pl.DataFrame]:
    """The third partition kills its own process, the first time."""
    mark = place.parent / "fallen"
    if place.name == "p2" and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return _double(place)


def numbers(folder: Path, n: int) -> list[Path]:
    places = []
    for i in range(n):
        (folder / f"p{i}").mkdir(parents=True)
        pl.DataFrame({"n": [i]}).write_parquet(folder / f"p{i}" / "n.parquet")
        places.append(folder / f"p{i}")
    return places


def told(places: list[Path]) -> list[int]:
    return [pl.read_parquet(p / "twice.parquet").item() for p in places]


def test_what_is_done_is_not_done_again(tmp_path) -> None:
    partitions, out = numbers(tmp_path / "in", 3), tmp_path / "out"
    (out / "p1").mkdir(parents=True)
    pl.DataFrame({"twice": [99]}).write_parquet(out / "p1" / "twice.parquet")
    said: list[str] = []
    assert told(run_partitions.run(_double, partitions, out, say=said.append)) == [0, 99, 4]
    assert said[0] == "partitions: 1 of 3 are there already"


def test_a_failure_leaves_nothing_half_written(tmp_path) -> None:
    partitions, out = numbers(tmp_path / "in", 2), tmp_path / "out"
    (partitions[1] / "n.parquet").write_bytes(b"no table")
    with pytest.raises(pl.exceptions.ComputeError):
        run_partitions.run(_double, partitions, out)
    assert sorted(p.name for p in out.iterdir()) == ["p0"]


@pytest.mark.thorough
def test_a_killed_process_is_told_and_the_next_run_goes_on(tmp_path) -> None:
    partitions, out = numbers(tmp_path / "in", 4), tmp_path / "out"
    with run_partitions.processes(2) as executor, pytest.raises(DataError, match="run again with fewer"):
        run_partitions.run(_falls_once, partitions, out, executor=executor)
    assert told(run_partitions.run(_falls_once, partitions, out)) == [0, 2, 4, 6]


@pytest.mark.thorough
def test_a_cluster_restarts_a_killed_worker_and_results_are_equal(tmp_path) -> None:
    distributed = pytest.importorskip("distributed")
    partitions = numbers(tmp_path / "in", 8)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1",
        local_directory=str(tmp_path / "dask"), silence_logs=50,
    ) as local:  # fmt: skip
        pids = [w.pid for w in local.workers.values()]
        with run_partitions.cluster(local.scheduler_address.removeprefix("tcp://")) as executor:
            threading.Timer(0.6, os.kill, (pids[0], signal.SIGKILL)).start()
            places = run_partitions.run(_slow_double, partitions, tmp_path / "out", executor=executor)
        assert told(places) == [2 * n for n in range(8)]
        assert pids[0] not in [w.pid for w in local.workers.values()]


def test_a_cluster_elsewhere_must_be_encrypted() -> None:
    with pytest.raises(ConfigError, match="encrypted"), run_partitions.cluster("tcp://10.0.0.7:8786"):
        pass


@pytest.mark.parametrize("named", [(), ("CA_FILE",), ("CA_FILE", "CLIENT__CERT")])
def test_an_encrypted_cluster_without_certificates_is_refused_in_words(monkeypatch, tmp_path, named):
    dask = pytest.importorskip("dask")
    pytest.importorskip("distributed")  # its settings are there once it is loaded
    (tmp_path / "there.pem").write_text("")
    keys = {"CA_FILE": "ca-file", "CLIENT__CERT": "client.cert", "CLIENT__KEY": "client.key"}
    told = {f"distributed.comm.tls.{keys[n]}": str(tmp_path / "there.pem") for n in named}
    told |= {f"distributed.comm.tls.{k}": str(tmp_path / "not there") for n, k in keys.items() if n not in named}
    with (
        dask.config.set(told),
        pytest.raises(ConfigError, match="needs certificates") as refused,
        run_partitions.cluster("tls://10.0.0.7:8786"),
    ):
        pass
    said = str(refused.value)
    lacking = said.partition(" no file")[0]
    assert all((f"tls.{k}" in lacking) is (n not in named) for n, k in keys.items())
    assert "DASK_DISTRIBUTED__COMM__TLS__CA_FILE" in said
