"""Invented teeth for the tests of tables that add up: late entries, groups, patients, parts."""

from __future__ import annotations

import numpy as np
import polars as pl


def teeth(seed: int, n: int = 200) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(n) < 0.4, rng.integers(0, 30, n), 0)
    return pl.DataFrame(
        {
            "entry": entry,
            "exit": entry + rng.integers(1, 60, n),
            "event": (rng.random(n) < 0.6).astype(int),
            "group": rng.choice(["a", "b", "c"], n),
            "patient": rng.integers(0, n // 2, n),
            "part": rng.integers(0, 5, n),
        }
    )
