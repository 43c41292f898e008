"""Rows of crowns or courses drawn straight from a known truth, for the technique questions."""

import datetime as dt

import numpy as np
import polars as pl

RECORDS_END = 10 * 365


def draw(
    rng: np.random.Generator,
    n: int,
    factors: dict[str, np.ndarray | list],
    *,
    log_hazard: np.ndarray | float = 0.0,
    rate_per_year: float = 0.03,
) -> pl.DataFrame:
    """`n` teeth, about 1.5 a patient, failing at `rate_per_year` times exp(`log_hazard`), seen for up to ten years."""
    start = rng.integers(0, RECORDS_END - 30, n)
    ends = np.minimum(RECORDS_END - start, rng.exponential(8 * 365.25, n).astype(int) + 1)
    fails = (rng.exponential(365.25 / rate_per_year, n) / np.exp(log_hazard)).astype(int) + 1
    exit_days = np.minimum(ends, fails).astype(np.int64)
    day = dt.date(2014, 1, 1)
    dates = [day + dt.timedelta(days=int(s + e)) for s, e in zip(start, exit_days, strict=True)]
    return pl.DataFrame(
        {
            "row_id": [f"t{i:06d}" for i in range(n)],
            "patient_id": [f"p{i:06d}" for i in rng.integers(0, max(2, int(n / 1.5)), n)],
            "provider_id": [f"c{i}" for i in rng.integers(0, 4, n)],
            "entry_days": np.zeros(n, dtype=np.int64),
            "exit_days": exit_days,
            "start": [day + dt.timedelta(days=int(s)) for s in start],
            "exit_date": dates,
            "exit_reason": np.where(fails <= ends, "failed", "last_contact"),
            "event": fails <= ends,
            "age": rng.normal(50, 14, n),
            "sex": rng.choice(["female", "male"], n),
            "tooth_group": rng.choice(["anterior", "premolar", "molar"], n),
            "year": 2014 + start / 365.25,
            **factors,
        }
    )
