"""Nelson-Aalen cumulative hazard: failures per one at risk, added up over days."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.stats.counts import count
from pipeline.stats.spells import Floats, Ints, Values, read_spells


@dataclass(frozen=True)
class CumulativeHazard:
    """One value per distinct exit day, just after it; `std_error` is that of the hazard itself."""

    time: Ints
    at_risk: Ints
    events: Ints
    hazard: Floats
    std_error: Floats
    splits_ties: bool


def nelson_aalen(
    exit_days: Values, event: Values, *, entry_days: Values | None = None, splits_ties: bool = False
) -> CumulativeHazard:
    """Cumulative hazard [1] of one group of independent rows.

    A day with d failures among n at risk adds d / n, with variance d / n^2 (R's `ctype=1`). With `splits_ties` the d
    failures are taken one after the other, 1/n + 1/(n-1) + ..., with the squares as variance (R's `ctype=2`) [2].

    References
    ----------
    [1] Aalen OO. Nonparametric inference for a family of counting processes. Ann Stat 1978;6:701-726.
    [2] Fleming TR, Harrington DP. Nonparametric estimation of the survival distribution in censored data. Commun Stat
        Theory Methods 1984;13:2469-2486.
    """
    spells = read_spells(exit_days, event, entry_days=entry_days)
    if spells.cause.max() > 1:
        raise ValueError("event must be 0 or 1")
    counts = count(spells, n_causes=1)
    failed = counts.events[0].astype(np.int64)
    rise, spread = _split(counts.rows_at_risk, failed) if splits_ties else _together(counts.at_risk, failed)
    return CumulativeHazard(
        time=counts.time,
        at_risk=counts.rows_at_risk,
        events=failed,
        hazard=np.cumsum(rise),
        std_error=np.sqrt(np.cumsum(spread)),
        splits_ties=splits_ties,
    )


def _together(at_risk: Floats, failed: Ints) -> tuple[Floats, Floats]:
    present = np.maximum(at_risk, 1.0)
    return failed / present, failed / present**2


def _split(at_risk: Ints, failed: Ints) -> tuple[Floats, Floats]:
    day = np.repeat(np.arange(len(failed)), failed)
    before = np.arange(len(day)) - (np.cumsum(failed) - failed)[day]
    step = 1.0 / (at_risk[day] - before)
    rise = np.bincount(day, weights=step, minlength=len(failed)).astype(np.float64)
    return rise, np.bincount(day, weights=step**2, minlength=len(failed)).astype(np.float64)
