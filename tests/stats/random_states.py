"""Crowns that pass from vital to opened to lost, drawn at random with late entries and ties, one row a stay."""

import numpy as np
import polars as pl

DAYS = (200, 700, 1400)


def random_states(seed: int, *, crowns: int = 160) -> pl.DataFrame:
    """Rows `crown, patient, state, passes_to, entry, exit` on a grid of 20 days; some enter late, and opened."""
    rng = np.random.default_rng(seed)

    def wait(mean: float) -> np.ndarray:
        return (np.ceil(rng.exponential(mean, crowns) / 20) * 20).astype(int)

    opening, loss, leaving = wait(2500), wait(4000), wait(2000)
    entry = np.where(rng.random(crowns) < 0.3, rng.integers(0, 40, crowns) * 20, 0)
    loss = np.where(opening < loss, opening + wait(1200), loss)
    rows = []
    for i in range(crowns):
        leave = min(entry[i] + leaving[i], 2000)
        end = min(leave, loss[i])
        opened = opening[i] < loss[i]
        if opened and opening[i] > entry[i] and opening[i] <= leave:
            rows.append((i, 0, 1, entry[i], opening[i]))
        elif not opened or opening[i] > entry[i]:
            rows.append((i, 0, 2 if loss[i] <= leave else -1, entry[i], end))
        if opened and opening[i] < leave:
            rows.append((i, 1, 2 if loss[i] <= leave else -1, max(entry[i], opening[i]), end))
    columns = ("crown", "state", "passes_to", "entry", "exit")
    made = pl.DataFrame(rows, schema=columns, orient="row").with_columns(patient=pl.col("crown") // 2)
    return made.filter(pl.col("exit") > pl.col("entry"))
