"""Invented practices with known truth, compared and made into contributions without going through files."""

from __future__ import annotations

import functools
import hashlib
import math
from dataclasses import asdict, replace
from pathlib import Path

import polars as pl

from pipeline.questions.crown_longevity import Analysis, compare_since_seat
from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.reading.config import Analysis as Settings
from pipeline.reading.config import Rules
from pipeline.release.pool.contribution import Contribution
from pipeline.release.pool.files import signed, write_contribution
from pipeline.release.pool.make import contribution
from pipeline.release.pool.signing import SigningKey
from pipeline.results import Counts, Quality, Results
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast, TechniqueGroup
from synthetic_data.followup import simulate_followup
from synthetic_data.truth import DEFAULT, Truth

MAIN = "crown_longevity_by_endo_timing"
PEOPLE = ("sex", "smoker", "diabetes", "bruxism")


def tables(*, crowns: int, seed: int, truth: Truth = DEFAULT) -> tuple[pl.DataFrame, pl.DataFrame]:
    """`crowns` and `patients` of a practice, as far as the main comparison reads them."""
    drawn = simulate_followup(truth, crowns=crowns, seed=seed)
    people = drawn.group_by("patient_id", maintain_order=True).agg(
        *(pl.col(c).first() for c in PEOPLE), born=(pl.col("seat_date").dt.year() - pl.col("age_at_seat")).first()
    )
    patients = people.select(
        "patient_id", *PEOPLE, birth_date=pl.lit(None, pl.Date), birth_year=pl.col("born").round().cast(pl.Int32)
    )
    made = drawn.drop(*PEOPLE, "age_at_seat", "access_days", "exit_days", "seat_year")
    return made.with_columns(entry_date="seat_date", order_uncertain=pl.lit(False)), patients


def results_of(crowns: pl.DataFrame, patients: pl.DataFrame) -> Results:
    """A results object with the main comparison and one technique answer."""
    settings = {k: str(v) for k, v in asdict(Settings()).items()}
    rules = {k: str(v) for k, v in asdict(Rules()).items()} | {"crown_date": "seat"}
    return Results(
        practice="Alder Row Dental",
        data_from="2005-01-03",
        data_cutoff="2024-12-31",
        counts=Counts(0, patients.height, crowns.height, 0, 0, 0),
        comparisons=(compare_since_seat(crowns, patients, Analysis()),),
        rates=(),
        quality=Quality(),
        not_run=(),
        rules=rules,
        analysis=settings,
        versions={"toothyears": "0.1.0", "python": "3.11.7"},
        techniques=(margins(),),
    )


def margins(ratio: float = 1.25, *, teeth: int = 400, failures: int = 60, group: str = "shoulder") -> TechniqueAnswer:
    """A technique answer: shoulder over chamfer, or the other way round."""
    groups = tuple(
        TechniqueGroup(name, name.title(), teeth, round(7 * teeth / 8), failures, 2000.0, None, None, None)
        for name in ("chamfer", "shoulder")
    )
    reference = "chamfer" if group == "shoulder" else "shoulder"
    away = math.exp(1.96 * math.sqrt(2 / failures))
    gap = 4.0 * math.log(ratio) / math.log(1.25)
    contrast = TechniqueContrast(
        group, reference, ratio, ratio / away, ratio * away, gap, gap - 4.0, gap + 4.0, 0.2, 1.0, "cannot_tell", "", ""
    )
    return TechniqueAnswer(
        id="technique_margin_crown_failure",
        question="margin",
        title="Margin of the crown: crown failure",
        unit="crown",
        outcome="crown_failure",
        horizon_years=5,
        reference="chamfer",
        groups=groups,
        contrasts=(contrast,),
        dose=(),
        dose_unit="",
        reference_dose=None,
        adjusted_for=("age at the start", "our own secret remark"),
        stratified_by=("clinician",),
        missing=(),
        caveats=(),
        notes=(),
        family=1,
    )


def contributed(crowns: pl.DataFrame, patients: pl.DataFrame, *, code: str) -> Contribution:
    """What such a practice gives."""
    spells = state_spells(crown_rows(crowns, patients)).with_columns(unit="crown_id")
    return contribution(results_of(crowns, patients), {MAIN: spells}, code=code)


def practice(seed: int, *, crowns: int = 1500, truth: Truth = DEFAULT) -> Contribution:
    """The contribution of a practice drawn by its seed."""
    if crowns == 1500 and truth is DEFAULT:
        return _usual(seed)
    return contributed(*tables(crowns=crowns, seed=seed, truth=truth), code=f"{seed:016x}")


@functools.cache
def _usual(seed: int) -> Contribution:
    """Many tests begin from the same few practices."""
    return contributed(*tables(crowns=1500, seed=seed), code=f"{seed:016x}")


def key_of(code: str) -> SigningKey:
    """The secret key of the practice of a code."""
    return SigningKey(hashlib.sha256(f"key of {code}".encode()).digest())


def under_seal(given: Contribution, code: str | None = None) -> Contribution:
    """The contribution, signed by the practice of its code or of another one."""
    return signed(given, key_of(code or given.code))


def written(given: Contribution, folder: Path) -> Path:
    """Its file, signed by its practice."""
    return write_contribution(under_seal(given), folder)


def no_frailty(truth: Truth = DEFAULT) -> Truth:
    """The effect of a Cox model is per crown; with frailty it is a little nearer to none over all patients."""
    return replace(truth, frailty_variance=0.0)
