"""An invented practice for the tests of adjusted curves: crowns in patients, openings over time, one confounder more.

Riskier crowns (`risk`) are opened more often, so that a crude comparison blames the opening for more than it does.
Crowns of one patient share their fate through a normal copula: within a patient they are alike, taken one by one their
hazards are exactly proportional, and the Cox model is true.
"""

from typing import Any

import numpy as np
import polars as pl
from scipy.special import ndtr

from pipeline.stats.cox import CoxFit, fit_cox
from pipeline.stats.standard_target import Target, fitted_target

NAMES = ("opened", "risk", "age")
OPENED, RISK, AGE = np.log(1.8), np.log(2.0), 0.3
STATES = {"closed": {"opened": 0.0}, "opened": {"opened": 1.0}}
RATE, OPENING = 1 / 6000, 1 / 2500


def practice(crowns: int, seed: int, *, clinicians: int = 1, alike: float = 0.5) -> pl.DataFrame:
    """One row per crown and state. Clinician c has a hazard (1 + c / 2) times that of the first."""
    rng = np.random.default_rng(seed)
    patients = max(crowns // 2, 3)
    patient = np.sort(rng.integers(0, patients, crowns))
    age, risk = rng.normal(size=patients)[patient], rng.random(crowns) < 0.4
    clinician = rng.integers(0, clinicians, crowns)
    shared = rng.normal(size=patients)[patient] * np.sqrt(alike) + rng.normal(size=crowns) * np.sqrt(1 - alike)
    cumulative = -np.log(ndtr(shared)) / (RATE * np.exp(RISK * risk + AGE * age) * (1 + clinician / 2))
    opening = np.ceil(rng.exponential(1 / (OPENING * np.exp(1.2 * risk - 0.5)), crowns)).astype(int)
    # Until the opening time runs at speed 1, from then on at the hazard ratio of the opening.
    lasted = np.where(cumulative <= opening, cumulative, opening + (cumulative - opening) / np.exp(OPENED))
    lasted = np.maximum(np.ceil(lasted), 1).astype(int)
    seen = rng.integers(400, 4000, crowns)
    frame = pl.DataFrame(
        {
            "crown": np.arange(crowns),
            "patient": patient,
            "risk": risk.astype(float),
            "age": age,
            "clinician": clinician,
            "opening": opening,
            "exit": np.minimum(lasted, seen),
            "event": lasted <= seen,
        }
    )
    return cut_at_opening(frame)


def cut_at_opening(crowns: pl.DataFrame) -> pl.DataFrame:
    cut = pl.col("opening") < pl.col("exit")
    until = crowns.filter(cut).with_columns(
        entry=pl.lit(-1, pl.Int64), exit="opening", event=pl.lit(False), opened=pl.lit(0.0)
    )
    after = crowns.filter(cut).with_columns(entry="opening", opened=pl.lit(1.0))
    never = crowns.filter(~cut).with_columns(entry=pl.lit(-1, pl.Int64), opened=pl.lit(0.0))
    return pl.concat([until, after.select(until.columns), never.select(until.columns)]).sort("crown", "entry")


def fit(rows: pl.DataFrame, *, names: tuple[str, ...] = NAMES, **options: Any) -> CoxFit:
    options = {"cluster": rows["patient"], **options}
    return fit_cox(
        rows.select(names).to_numpy(), rows["exit"], rows["event"], names=names, entry_days=rows["entry"], **options
    )


def everyone(model: CoxFit, rows: pl.DataFrame) -> Target:
    """Each crown once, by its first row."""
    return fitted_target(model, rows["crown"].is_first_distinct().to_numpy())


def true_difference(day: int, *, clinicians: int = 1, from_day: int = 0, crowns: int = 400_000) -> float:
    """Failures per 100 in (from_day, day], opened minus closed, were every crown the one or the other: simulated."""
    rng = np.random.default_rng(99)
    age, risk = rng.normal(size=crowns), rng.random(crowns) < 0.4
    rate = RATE * np.exp(RISK * risk + AGE * age) * (1 + rng.integers(0, clinicians, crowns) / 2)
    longest = rng.exponential(size=crowns)
    failed = [np.ceil(longest / (rate * ratio)) <= day - from_day for ratio in (np.exp(OPENED), 1.0)]
    return 100 * float(failed[0].mean() - failed[1].mean())
