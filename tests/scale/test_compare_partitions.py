"""Compared in parts is compared: every figure of the main comparison, for any number of parts and order of rows."""

import dataclasses
import datetime as dt
import math
import os
import shutil
import signal
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.machine.errors import DataError
from pipeline.practice.tables import CROWNS, PATIENTS
from pipeline.questions import crown_longevity, longevity_parts
from pipeline.questions.crown_longevity import Analysis
from pipeline.results import Comparison
from pipeline.stages.scale import compare_partitions
from pipeline.stages.scale.compare_partitions import compare_in_parts
from pipeline.stages.scale.run_partitions import cluster, processes

BEGIN, CUTOFF = dt.date(2008, 1, 1), dt.date(2024, 12, 31)
Rows = tuple[pl.DataFrame, pl.DataFrame]


def practice(n: int, seed: int) -> Rows:
    """Invented crowns with ties, late entries, gaps, an own hazard a clinician and a clinician followed briefly."""
    rng = np.random.default_rng(seed)
    patient = rng.integers(0, n // 2, n)
    seat = rng.integers(0, 5000, n)
    provider = rng.choice(["Dr A", "Dr B", "Dr C", "Dr D", None], n, p=[0.4, 0.3, 0.15, 0.1, 0.05])
    lasts = rng.exponential(np.where(provider == "Dr B", 3500, 6000)).astype(int)
    seen = np.minimum(rng.integers(100, 6000, n), (CUTOFF - BEGIN).days - seat)
    seen = np.where(provider == "Dr C", np.minimum(seen, 900), seen)
    exits = np.minimum(lasts, seen)
    late = np.where(rng.random(n) < 0.1, rng.integers(1, 200, n), 0)
    timing = rng.choice(["before_seat", "through_crown", "vital"], n, p=[0.3, 0.35, 0.35])
    access = rng.integers(1, 1500, n)
    opened = (timing == "through_crown") & (access < exits)
    timing = np.where((timing == "through_crown") & ~opened, "vital", timing)
    exits = np.where(late > exits, late + 1, exits)
    crowns = pl.DataFrame(
        {
            "crown_id": [f"C{i:05}" for i in range(n)],
            "patient_id": [f"P{i:05}" for i in patient],
            "tooth_fdi": 16,
            "tooth_group": rng.choice(["molar", "premolar", "anterior"], n),
            "provider_id": provider.tolist(),
            "material": rng.choice(["zirconia", "metal_ceramic", "metal", None], n, p=[0.5, 0.38, 0.02, 0.1]).tolist(),
            "endo_timing": timing,
            "seat_recorded": True,
            "order_uncertain": False,
            "failure": (lasts <= seen) & (exits == lasts),
            "exit_reason": "cutoff",
            "seat": seat,
            "late": late,
            "exit": exits,
            "access": np.where(opened, access, 0),
            "elsewhere": rng.random(n) < 0.03,
        },
        strict=False,
    )
    day = pl.lit(BEGIN) + pl.duration(days="seat")
    crowns = crowns.with_columns(
        seat_date=pl.when(~pl.col("elsewhere")).then(day),
        entry_date=day + pl.duration(days="late"),
        exit_date=day + pl.duration(days="exit"),
        access_date=pl.when(pl.col("access") > 0).then(day + pl.duration(days="access")),
    )
    ids = sorted(set(crowns["patient_id"]))
    born = rng.integers(1940, 1995, len(ids))
    people = pl.DataFrame(
        {
            "patient_id": ids,
            "birth_year": [None if y % 17 == 0 else int(y) for y in born],
            "sex": rng.choice(["female", "male", None], len(ids)).tolist(),
            "smoker": rng.choice([True, False, None], len(ids), p=[0.2, 0.7, 0.1]).tolist(),
        }
    )
    return filled(crowns, CROWNS.schema), filled(people, PATIENTS.schema)


def filled(rows: pl.DataFrame, schema: Any) -> pl.DataFrame:
    return rows.select(pl.col(c).cast(t) if c in rows.columns else pl.lit(None, t).alias(c) for c, t in schema.items())


def parted(rows: Rows, folder: Path, parts: int) -> list[Path]:
    """Parts by the number of the patient."""
    of_part = pl.col("patient_id").str.slice(1).cast(pl.Int64) % parts
    return [written(tuple(t.filter(of_part == n) for t in rows), folder / f"part{n}") for n in range(parts)]


def written(rows: tuple[pl.DataFrame, ...], place: Path) -> Path:
    place.mkdir(parents=True)
    for name, table in zip(("crowns", "patients"), rows, strict=True):
        table.write_parquet(place / f"{name}.parquet")
    return place


# What is not made in parts is left out on both sides.
compare_since_seat = partial(crown_longevity.compare_since_seat, checks=False)


def same(found: Any, wanted: Any, where: str = "") -> None:
    """Equal in all words and counts, and to 1e-9 in all numbers."""
    assert type(found) is type(wanted), where
    if dataclasses.is_dataclass(wanted):
        for field in dataclasses.fields(wanted):
            same(getattr(found, field.name), getattr(wanted, field.name), f"{where}.{field.name}")
    elif isinstance(wanted, tuple):
        assert len(found) == len(wanted), where
        for i, (a, b) in enumerate(zip(found, wanted, strict=True)):
            same(a, b, f"{where}[{i}]")
    elif isinstance(wanted, float):
        assert found == wanted or math.isclose(found, wanted, rel_tol=1e-9, abs_tol=1e-12), where
    else:
        assert found == wanted, where


def is_whole(result: Comparison) -> bool:
    """Whether nothing is missing that a comparison can hold."""
    return len(result.estimates) == 6 and None not in (result.naive, result.difference, result.crude_difference)


@pytest.fixture(scope="module")
def rows() -> Rows:
    return practice(1500, seed=5)


@pytest.fixture(scope="module")
def whole(rows: Rows) -> Comparison:
    found = compare_since_seat(*rows, Analysis())
    assert is_whole(found)
    assert found.difference != found.crude_difference
    assert found.missing
    assert [e.stratified_by for e in found.estimates] == [()] * 3 + [("clinician",)] * 3
    return found


@pytest.mark.parametrize("parts", [1, 2, 7, pytest.param(64, marks=pytest.mark.thorough)])
def test_the_number_of_parts_changes_nothing(rows, whole, tmp_path, parts: int) -> None:
    same(compare_in_parts(parted(rows, tmp_path / "p", parts), Analysis(), folder=tmp_path / "s"), whole)
    assert list((tmp_path / "s").iterdir()) == []
    assert (tmp_path / "s").stat().st_mode & 0o077 == 0


def test_the_order_of_rows_and_parts_changes_nothing(rows, whole, tmp_path) -> None:
    crowns, patients = (table.sample(fraction=1, shuffle=True, seed=1) for table in rows)
    places = parted((crowns, patients), tmp_path / "p", 5)[::-1]
    same(compare_in_parts(places, Analysis(), folder=tmp_path / "s"), whole)


def test_a_table_of_a_part_may_be_a_folder_of_files(rows, whole, tmp_path) -> None:
    places = parted(rows, tmp_path / "p", 2)
    for file in [place / "crowns.parquet" for place in places]:
        table = pl.read_parquet(file)
        file.unlink()
        file.mkdir()
        for n, some in enumerate((table.head(200), table.slice(200))):
            some.write_parquet(file / f"{n}.parquet")
    same(compare_in_parts(places, Analysis(), folder=tmp_path / "s"), whole)


def test_rows_need_not_be_kept_between_rounds(rows, whole, tmp_path) -> None:
    same(compare_in_parts(parted(rows, tmp_path / "p", 3), Analysis(), folder=tmp_path / "s", keep=0), whole)


def test_other_choices_too(rows, tmp_path) -> None:
    other = Analysis(horizon_years=3, min_at_risk=40, max_step_per_100=1, min_stratum_failures=60, confidence=0.9)
    wanted = compare_since_seat(*rows, other)
    same(compare_in_parts(parted(rows, tmp_path / "p", 3), other, folder=tmp_path / "s"), wanted)


def test_parts_without_rows_or_without_failures(rows, tmp_path) -> None:
    # By hand: one part has no row, one no failure, one no root canal, one only crowns without a known seat.
    crowns, patients = rows
    ids = patients["patient_id"].to_list()
    of_part = {p: (1 + i % 4) for i, p in enumerate(ids)}
    part = pl.col("patient_id").replace_strict(of_part, return_dtype=pl.Int64)
    crowns = crowns.filter((part != 3) | (pl.col("endo_timing") == "vital")).with_columns(
        failure=pl.col("failure") & (part != 2),
        seat_date=pl.when(part != 4).then("seat_date"),
    )
    places = [
        written((crowns.filter(part == number), patients.filter(part == number)), tmp_path / f"part{number}")
        for number in range(5)
    ]
    wanted = compare_since_seat(crowns, patients, Analysis(min_at_risk=5, max_step_per_100=20))
    assert is_whole(wanted)
    found = compare_in_parts(places, Analysis(min_at_risk=5, max_step_per_100=20), folder=tmp_path / "s")
    same(found, wanted)


@pytest.mark.parametrize(
    "kept",
    [
        pl.lit(False),
        pl.col("endo_timing") == "vital",
        ~pl.col("failure"),
        (pl.col("endo_timing") != "through_crown") | ~pl.col("failure"),
        pl.col("crown_id") < "C00060",
    ],
    ids=["no crown", "no root canal", "no failure", "no opened crown failed", "few crowns"],
)
def test_where_little_can_be_said_the_same_is_said(rows, tmp_path, kept: pl.Expr) -> None:
    fewer = rows[0].filter(kept), rows[1]
    wanted = compare_since_seat(*fewer, Analysis())
    # A penalised ratio, for a group without a failure, is not made in parts.
    wanted = dataclasses.replace(
        wanted,
        estimates=tuple(e for e in wanted.estimates if e.model != "cox_penalised"),
        notes=tuple(n for n in wanted.notes if n != crown_longevity.PENALISED),
    )
    same(compare_in_parts(parted(fewer, tmp_path / "p", 3), Analysis(), folder=tmp_path / "s"), wanted)


def test_crowns_that_no_model_takes_leave_the_naive_comparison_out(rows, tmp_path) -> None:
    # First seen late and never again: such a crown has no time under its label.
    entry = pl.when(pl.col("crown_id") == "C00001").then("exit_date").otherwise("entry_date")
    crowns = rows[0].with_columns(
        entry_date=entry, endo_timing=pl.lit("before_seat"), access_date=pl.lit(None, pl.Date)
    )
    crowns = pl.concat([crowns.head(700), rows[0].tail(800)])
    wanted = compare_since_seat(crowns, rows[1], Analysis())
    assert wanted.naive is None
    same(compare_in_parts(parted((crowns, rows[1]), tmp_path / "p", 3), Analysis(), folder=tmp_path / "s"), wanted)


@pytest.mark.thorough
def test_two_processes_give_what_one_gives(rows, whole, tmp_path) -> None:
    said: list[str] = []
    with processes(2) as executor:
        found = compare_in_parts(
            parted(rows, tmp_path / "p", 4),
            Analysis(),
            folder=tmp_path / "s",
            executor=executor,
            tasks=2,
            say=said.append,
        )
    same(found, whole)
    assert any("4 of 4" in text for text in said)


@pytest.mark.thorough
def test_a_cluster_gives_what_one_process_gives(rows, whole, tmp_path) -> None:
    distributed = pytest.importorskip("distributed")
    places = parted(rows, tmp_path / "p", 4)
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1",
            local_directory=str(tmp_path / "dask"), silence_logs=50,
        ) as local,
        cluster(local.scheduler_address.removeprefix("tcp://")) as executor,
    ):  # fmt: skip
        same(compare_in_parts(places, Analysis(), folder=tmp_path / "s", executor=executor), whole)


def _falls(_: object) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.mark.thorough
def test_a_process_killed_between_rounds_is_told(tmp_path) -> None:
    with processes(2) as executor, pytest.raises(DataError, match="run again with fewer"):
        list(compare_partitions._over(executor)(_falls, [(tmp_path,), (tmp_path,)]))


def test_a_stopped_run_goes_on_with_what_is_there(rows, whole, tmp_path, monkeypatch) -> None:
    places = parted(rows, tmp_path / "p", 3)
    monkeypatch.setattr(longevity_parts, "compare_parts", _stop)
    with pytest.raises(KeyboardInterrupt):
        compare_in_parts(places, Analysis(), folder=tmp_path / "s")
    monkeypatch.undo()
    monkeypatch.setattr(compare_partitions, "count_one", _stop)
    said: list[str] = []
    same(compare_in_parts(places, Analysis(), folder=tmp_path / "s", say=said.append), whole)
    assert [text for text in said if "there already" in text] == [
        "counting: 3 of 3 are there already", "errors: 3 of 3 are there already", "rows: 3 of 3 are there already",
    ]  # fmt: skip


@pytest.mark.thorough
def test_other_choices_or_rows_do_not_go_on_with_former_counts(rows, tmp_path, monkeypatch) -> None:
    places = parted(rows, tmp_path / "p", 2)
    monkeypatch.setattr(longevity_parts, "compare_parts", _stop)
    with pytest.raises(KeyboardInterrupt):
        compare_in_parts(places, Analysis(), folder=tmp_path / "s")
    monkeypatch.undo()
    other = Analysis(horizon_years=4)
    same(compare_in_parts(places, other, folder=tmp_path / "s"), compare_since_seat(*rows, other))
    changed = rows[0].with_columns(failure=pl.col("failure") & (pl.col("crown_id") > "C00200")), rows[1]
    for place, again in zip(places, parted(changed, tmp_path / "q", 2), strict=True):
        (again / "crowns.parquet").replace(place / "crowns.parquet")
    same(compare_in_parts(places, Analysis(), folder=tmp_path / "s"), compare_since_seat(*changed, Analysis()))


def test_too_little_room_is_told_before_anything_is_written(rows, tmp_path, monkeypatch) -> None:
    places = parted(rows, tmp_path / "p", 2)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**9, 10**9 - 5000, 5000))
    with pytest.raises(DataError, match="MB are free"):
        compare_in_parts(places, Analysis(), folder=tmp_path / "s")
    assert list((tmp_path / "s").iterdir()) == []


def _stop(*_: object, **__: object) -> None:
    raise KeyboardInterrupt
