"""Invented practices of a few clinicians whose truth is known, for what the owner's page says of clinicians."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

CUTOFF = dt.date(2024, 12, 31)
YEARS = 14
DAY = 365.25


@dataclass(frozen=True)
class Truth:
    """Clinicians with their teeth and their true rates; `alike` is how much patients vary, `molars` who gets them.

    Each patient has `each` teeth with one clinician, and a rate of their own (gamma, standard deviation `alike`).
    Molars fail three times as fast; `molars` is the share of each clinician. `hazard` is failures a year.
    """

    teeth: tuple[int, ...]
    rates: tuple[float, ...]
    alike: float = 0.0
    each: int = 2
    molars: tuple[float, ...] = ()
    hazard: float = 0.03


def teeth_of(truth: Truth, draw: np.random.Generator) -> pl.DataFrame:
    """One row a tooth, as `monitoring.watch` reads them; clinicians are called A, B, C and so on."""
    parts, patients = [], 0
    for place, (n, rate) in enumerate(zip(truth.teeth, truth.rates, strict=True)):
        mouths = max(1, n // truth.each)
        mouth = np.repeat(np.arange(mouths), truth.each)
        own = draw.gamma(1 / truth.alike**2, truth.alike**2, mouths) if truth.alike else np.ones(mouths)
        molar = draw.random(len(mouth)) < (truth.molars[place] if truth.molars else 0.0)
        began = draw.uniform(0, YEARS * DAY, len(mouth)).astype(np.int64)
        yearly = truth.hazard * rate * own[mouth] * np.where(molar, 3.0, 1.0)
        fails = (draw.exponential(DAY / yearly)).astype(np.int64)
        left = int(YEARS * DAY) - began
        parts.append(
            pl.DataFrame(
                {
                    "patient_id": mouth + patients,
                    "provider_id": np.full(len(mouth), chr(65 + place)),
                    "tooth_group": np.where(molar, "molar", "anterior"),
                    "began": began,
                    "exit_days": np.minimum(fails, left),
                    "event": fails <= left,
                }
            )
        )
        patients += mouths
    start = pl.lit(CUTOFF) - pl.duration(days=int(YEARS * DAY)) + pl.duration(days=pl.col("began"))
    return (
        pl.concat(parts)
        .with_columns(
            start=start.cast(pl.Date), id=pl.format("t{}", pl.int_range(pl.len()).cast(pl.String).str.zfill(6))
        )
        .drop("began")
    )


def told(truth: Truth, runs: Sequence[int], see: object) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of each run: who is outside, how surely each was said to be noticed, and the chance said of any by chance."""
    out, sure, chance = [], [], []
    for run in runs:
        found = see(teeth_of(truth, np.random.default_rng([run, len(truth.teeth)])))  # type: ignore[operator]
        out.append([row.standing not in ("within", "too_few") for row in found.rows])
        sure.append([np.nan if row.notice_95 is None else row.notice_95 for row in found.rows])
        chance.append(found.by_chance)
    return np.array(out), np.array(sure), np.array(chance)
