"""Files of one practice, one a year: whoever keeps them all asks if a patient is in whose first crown he knows."""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
from hashlib import blake2b

import numpy as np
import polars as pl
import pytest
from pool_practices import MAIN, results_of, tables, under_seal

from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.release.pool.contribution import MARKS, Contribution
from pipeline.release.pool.likeness import same_practice
from pipeline.release.pool.make import MARKS_STAND, contribution
from pipeline.release.pool.marks import draws_of, marks_of, patients_of
from pipeline.release.pool.plausible import impossible

YEARS = range(2010, 2022)
PRACTICES = 4
DRAW = 2 * MARKS


def spells_of(crowns: pl.DataFrame, patients: pl.DataFrame) -> dict[str, pl.DataFrame]:
    return {MAIN: state_spells(crown_rows(crowns, patients)).with_columns(unit="crown_id")}


def given(
    crowns: pl.DataFrame,
    patients: pl.DataFrame,
    *earlier: Contribution,
    until: str = "2024-12",
    secret: bytes = b"kept",
) -> Contribution:
    results = dataclasses.replace(results_of(crowns, patients), techniques=(), data_cutoff=f"{until}-31")
    return contribution(results, spells_of(crowns, patients), code="0" * 16, secret=secret, earlier=earlier)


@functools.cache
def yearly(seed: int) -> tuple[list[Contribution], list[tuple[int, ...]], pl.DataFrame]:
    """What a practice gives year by year, the marks that it would draw anew with each half as many again, its rows."""
    crowns, patients = tables(crowns=700, seed=7000 + seed)
    files: list[Contribution] = []
    anew: list[tuple[int, ...]] = []
    for year in YEARS:
        until = crowns.filter(pl.col("seat_date") <= dt.date(year, 12, 31))
        before = len(files[-1].marks) if files else 0
        files.append(given(until, patients, *files, until=f"{year}-12"))
        grown = len(files[-1].marks) > before
        anew.append(marks_of(spells_of(until, patients), secret=b"kept") if grown else anew[-1])
    return files, anew, spells_of(crowns, patients)[MAIN]


def first_works(rows: pl.DataFrame) -> pl.DataFrame:
    teeth = "tooth_fdi" if "tooth_fdi" in rows.columns else "tooth_group"
    first = rows.sort("patient_id", "seat_date", teeth).unique("patient_id", keep="first").sort("patient_id")
    return first.select("seat_date", tooth=pl.col(teeth).cast(pl.String))


def signs_of(first: pl.DataFrame) -> np.ndarray:
    """The signs of each patient's first work, as anybody can work them out."""
    told = [f"{day} {tooth}".encode() for day, tooth in first.iter_rows()]
    bits = [
        np.unpackbits(np.frombuffer(blake2b(w, digest_size=32, person=b"pooling marks").digest(), np.uint8))
        for w in told
    ]
    return 2.0 * np.array(bits) - 1


def told_apart(marks: np.ndarray, members: np.ndarray, strangers: np.ndarray) -> float:
    """How often a member stands out more than a stranger does."""
    return float(np.mean((members @ marks)[:, None] > (strangers @ marks)[None, :]))


@pytest.mark.thorough
def test_years_of_files_tell_of_a_patient_no_more_than_one_does() -> None:
    """Practices that grow eightfold, twelve files each: 68 of 100 are told from strangers, as by the first file alone.

    Drawn anew with each half as many patients again it were 71. Whoever knows when somebody's first work was takes the
    draw that he would be in; of marks that are drawn anew all of them, he is in every one since.
    """
    one, repeated, anew = [], [], []
    made = [yearly(seed) for seed in range(PRACTICES)]
    for i, (files, drawn, rows) in enumerate(made):
        first = first_works(rows).filter(pl.col("seat_date").dt.year() <= YEARS[0])
        strange = first_works(made[(i + 1) % PRACTICES][2]).filter(pl.col("seat_date").dt.year() <= YEARS[0])
        members, strangers = signs_of(first), signs_of(strange)
        draws = [np.asarray(f.marks, float).reshape(-1, DRAW)[:, :MARKS] for f in files]
        assert len(draws[-1]) >= 3
        assert all(np.array_equal(d, draws[-1][: len(d)]) for d in draws)
        one.append(told_apart(draws[0][0], members, strangers))
        repeated.append(told_apart(sum(d[0] for d in draws), members, strangers))  # type: ignore[arg-type]
        distinct = [np.asarray(m[:MARKS], float) for m in dict.fromkeys(drawn)]
        anew.append(told_apart(np.sum(distinct, axis=0), members, strangers))
    assert np.mean(repeated) == np.mean(one)
    assert np.mean(anew) > np.mean(one) + 0.03


def test_each_patient_is_in_one_draw_alone() -> None:
    """Of whom a draw tells: those whose first work came after the file of the draw before."""
    files, _, rows = yearly(0)
    first = first_works(rows)
    draws = draws_of(files[-1].marks)
    assert sum(patients_of(d[None, :MARKS]) for d in draws) == pytest.approx(first.height, rel=0.5)
    until = [next(f.data_until for f in files if len(f.marks) >= DRAW * (i + 1)) for i in range(len(draws))]
    month = pl.col("seat_date").dt.strftime("%Y-%m")
    for draw, since, to in zip(draws, ["", *until], until, strict=False):
        inside = (month > since) & (month <= to)
        his, others = (float(draw[:MARKS] @ signs_of(first.filter(who)).sum(axis=0)) for who in (inside, ~inside))
        assert his > 3 * abs(others)


def test_a_practice_that_grew_is_known_by_all_its_draws() -> None:
    """Twelve files on, held against what it would give under another code and key; another practice is another one."""
    for seed in range(PRACTICES):
        files = yearly(seed)[0]
        crowns, patients = tables(crowns=700, seed=7000 + seed)
        crowns = crowns.filter(pl.col("seat_date") <= dt.date(YEARS[-1], 12, 31))
        double = dataclasses.replace(given(crowns, patients, secret=b"new"), code="f" * 16, contrasts=())
        grown = dataclasses.replace(files[-1], contrasts=())
        assert impossible(files[-1]) is None
        assert "the same patients' work" in (same_practice(grown, under_seal(double)) or "")
        other = dataclasses.replace(yearly((seed + 1) % PRACTICES)[0][-1], code="e" * 16, contrasts=())
        assert same_practice(grown, other) is None


@pytest.mark.parametrize(("more", "stand"), [(1.0, True), (MARKS_STAND - 0.1, True), (MARKS_STAND + 0.4, False)])
def test_marks_stand_until_there_are_half_as_many_patients_again(more: float, stand: bool) -> None:
    crowns, patients = tables(crowns=600, seed=7100)
    first_day = crowns.group_by("patient_id").agg(pl.col("seat_date").min()).sort("seat_date", "patient_id")
    half = len(first_day) // 2
    some, others = (
        crowns.filter(pl.col("patient_id").is_in(first_day["patient_id"].head(n).to_list()))
        for n in (half, round(more * half))
    )
    until = f"{first_day['seat_date'][half]:%Y-%m}"
    first, later = given(some, patients, until=until), given(others, patients)
    again = given(others, patients, first)
    assert again.marks[:DRAW] == first.marks
    assert len(again.marks) == DRAW * (1 if stand else 2)
    assert again.contrasts == later.contrasts
    assert given(others, patients, first, again).marks == again.marks


def test_a_file_of_an_earlier_cut_off_in_between_draws_nothing_anew() -> None:
    """Two fifths of the patients, and all again: eight such files once told 88 of 100 patients from strangers."""
    crowns, patients = tables(crowns=600, seed=7100)
    early = crowns.filter(pl.col("seat_date") <= crowns["seat_date"].quantile(0.4))
    files = [given(crowns, patients)]
    for rows in (early, crowns, early, crowns):
        files.append(given(rows, patients, *files))
    assert {f.marks for f in files} == {files[0].marks}


def test_marks_of_an_earlier_version_are_drawn_anew_once() -> None:
    crowns, patients = tables(crowns=600, seed=7100)
    now = given(crowns, patients)
    old = dataclasses.replace(now, marks=now.marks[:MARKS])
    assert given(crowns, patients, old).marks == now.marks
    assert given(crowns, patients, old, now).marks == now.marks
