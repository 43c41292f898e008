"""Files of one practice, one a year: whoever keeps them all asks if a patient is in whose first crown he knows."""

from __future__ import annotations

import dataclasses
import datetime as dt
from hashlib import blake2b

import numpy as np
import polars as pl
import pytest
from pool_practices import MAIN, results_of, tables

from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.release.pool.contribution import Contribution
from pipeline.release.pool.make import MARKS_STAND, contribution
from pipeline.release.pool.marks import marks_of

YEARS = range(2015, 2021)
PRACTICES = 4


def spells_of(crowns: pl.DataFrame, patients: pl.DataFrame) -> dict[str, pl.DataFrame]:
    return {MAIN: state_spells(crown_rows(crowns, patients)).with_columns(unit="crown_id")}


def given(crowns: pl.DataFrame, patients: pl.DataFrame, *earlier: Contribution) -> Contribution:
    results = dataclasses.replace(results_of(crowns, patients), techniques=())  # made up, and the same for all
    return contribution(results, spells_of(crowns, patients), code="0" * 16, secret=b"kept", earlier=earlier)


def yearly(seed: int) -> tuple[list[Contribution], list[tuple[int, ...]], pl.DataFrame]:
    """What a practice gives year by year, the marks that it would draw anew each time, and its rows of the first."""
    crowns, patients = tables(crowns=250, seed=7000 + seed)
    files: list[Contribution] = []
    anew = []
    for year in YEARS:
        until = crowns.filter(pl.col("seat_date") <= dt.date(year, 12, 31))
        files.append(given(until, patients, *files))
        anew.append(marks_of(spells_of(until, patients), secret=b"kept"))
    return files, anew, spells_of(crowns.filter(pl.col("seat_date") <= dt.date(YEARS[0], 12, 31)), patients)[MAIN]


def signs_of(rows: pl.DataFrame) -> np.ndarray:
    """The signs of each patient's first work, as anybody can work them out."""
    teeth = "tooth_fdi" if "tooth_fdi" in rows.columns else "tooth_group"
    first = rows.sort("patient_id", "seat_date", teeth).unique("patient_id", keep="first").sort("patient_id")
    told = [f"{day} {tooth}".encode() for day, tooth in first.select("seat_date", teeth).iter_rows()]
    bits = [
        np.unpackbits(np.frombuffer(blake2b(w, digest_size=32, person=b"pooling marks").digest(), np.uint8))
        for w in told
    ]
    return 2.0 * np.array(bits) - 1


def told_apart(marks: list[tuple[int, ...]], members: np.ndarray, strangers: np.ndarray) -> float:
    """How often a member stands out more than a stranger does in all files together."""
    summed = np.sum([np.asarray(m[:256], float) for m in marks], axis=0)
    return float(np.mean((members @ summed)[:, None] > (strangers @ summed)[None, :]))


def test_years_of_files_tell_of_a_patient_little_more_than_one_does() -> None:
    """Drawn anew each year, six files told 82 of 100 members from strangers, and one file 70."""
    one, standing, anew = [], [], []
    made = [yearly(seed) for seed in range(PRACTICES)]
    signs = [signs_of(rows) for _, _, rows in made]
    for i, (files, drawn, _) in enumerate(made):
        members, strangers = signs[i], signs[(i + 1) % PRACTICES]
        marks = [f.marks for f in files]
        assert len(set(marks)) <= 2 < len(set(drawn))
        one.append(told_apart(marks[:1], members, strangers))
        standing.append(told_apart(marks, members, strangers))
        anew.append(told_apart(drawn, members, strangers))
    assert np.mean(standing) < np.mean(one) + 0.05
    assert np.mean(anew) > np.mean(one) + 0.05


@pytest.mark.parametrize(("more", "stand"), [(1.0, True), (MARKS_STAND - 0.1, True), (MARKS_STAND + 0.4, False)])
def test_marks_stand_until_there_are_half_as_many_patients_again(more: float, stand: bool) -> None:
    crowns, patients = tables(crowns=600, seed=7100)
    ids = crowns["patient_id"].unique().sort()
    half = len(ids) // 2
    some, others = (
        crowns.filter(pl.col("patient_id").is_in(ids.head(n).to_list())) for n in (half, round(more * half))
    )
    first, later = given(some, patients), given(others, patients)
    again = given(others, patients, first)
    assert again.marks == (first.marks if stand else later.marks)
    assert again.contrasts == later.contrasts
