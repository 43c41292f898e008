"""Writes teeth.csv: 900 teeth of 350 patients, lost to six causes; simulated for the tests, a third enters late."""

from pathlib import Path

import numpy as np
import polars as pl

CAUSES = ("endodontic", "periodontal", "fracture", "caries", "other", "unknown")

rng = np.random.default_rng(20261128)
n = 900
patient = rng.integers(0, 350, n)
frailty = rng.gamma(2.0, 0.5, 350)[patient]
lost = np.ceil(rng.exponential(4200 / frailty) / 30).astype(int) * 30
left = rng.integers(200, 5500, n)
entry = np.where(rng.random(n) < 1 / 3, rng.integers(0, 60, n) * 30, 0)
out = np.minimum(lost, left)
rows = pl.DataFrame(
    {
        "patient": patient,
        "entry": entry,
        "exit": out,
        "cause": np.where(lost <= left, rng.choice(6, n, p=[0.3, 0.1, 0.3, 0.15, 0.05, 0.1]) + 1, 0),
    }
)
rows.filter(pl.col("exit") > pl.col("entry")).write_csv(Path(__file__).parent / "teeth.csv")
