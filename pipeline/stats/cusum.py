"""A risk-adjusted CUSUM for failures over time: does the hazard look doubled from some month on?

After each month the chart adds the log-likelihood ratio of "the hazard is `ratio` times what was expected" against "as
expected": failures x log(ratio) - (ratio - 1) x expected failures, and never falls below 0. Expected failures are
those of every tooth under observation in that month, at its own age and with its own risks, so that a tooth tells
something for as long as it is followed and not only on some fixed day [1, 2]. A chart that reaches its threshold
signals and starts again from 0.

References (from memory)
----------
[1] Sego LH, Reynolds MR, Woodall WH. Risk-adjusted monitoring of survival times. Stat Med 2009;28:1386-1401.
[2] Biswas P, Kalbfleisch JD. A risk-adjusted CUSUM in continuous time based on the Cox model. Stat Med
    2008;27:3382-3406.
[3] Steiner SH, Cook RJ, Farewell VT, Treasure T. Monitoring surgical performance using risk-adjusted cumulative sum
    charts. Biostatistics 2000;1:441-452.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
SEED = 20_090_515
PATHS = 1000
# Runs are followed for so many times the wanted mean.
SPANS = 2
BINS = 4000
MONTHS_AT_ONCE = 64


@dataclass(frozen=True, eq=False)
class Chart:
    """The chart after each month, before it starts again; `signals` are the places of months at the threshold."""

    value: Floats
    signals: tuple[int, ...]


def cusum(observed: ArrayLike, expected: ArrayLike, *, ratio: float, threshold: float) -> Chart:
    """Run the chart over months in their order. `ratio` above 1 watches for more failures, below 1 for fewer."""
    steps = _steps(np.asarray(observed, dtype=np.float64), np.asarray(expected, dtype=np.float64), ratio)
    values, signals, at = [], [], 0.0
    for place, step in enumerate(steps):
        at = max(0.0, at + float(step))
        values.append(at)
        if at >= threshold:
            signals.append(place)
            at = 0.0
    return Chart(np.array(values), tuple(signals))


def design_threshold(
    pace: float, *, ratio: float, mean_run: float, dispersion: float = 1.0, seed: int = SEED, paths: int = PATHS
) -> float:
    """The threshold whose mean run to a false signal is `mean_run` months where `pace` failures a month are expected.

    By simulation of months as expected, for all thresholds at once: months until the chart's highest value passes a
    threshold, over the paths that passed it. Paths cut off before count with their months, as runs to a rare signal are
    of exponential length. The error of the mean run is about mean_run / sqrt(paths). Where counts are so large that
    the chart moves in steps, the mean run may be longer, never by design shorter.
    `dispersion` above 1 draws monthly counts with that many times a Poisson count's variance.

    Raises ValueError unless pace and mean_run are above 0 and ratio is neither 1 nor below 0.
    """
    _check(pace, ratio, mean_run)
    draw = np.random.default_rng(seed)
    length = int(np.ceil(mean_run * SPANS))
    # No chart of such length passes this by chance: the odds of value v are about e^-v a month.
    top = np.log(mean_run) + 25.0
    at, highest, below = np.zeros(paths), np.zeros(paths), np.zeros(BINS)
    # The bin of each path's highest value so far, and the month in which it came there.
    place, since = np.zeros(paths, dtype=np.int64), np.zeros(paths, dtype=np.int64)
    for begin in range(0, length, MONTHS_AT_ONCE):
        months = min(MONTHS_AT_ONCE, length - begin)
        steps = _steps(_counts(draw, pace, (months, paths), dispersion), pace, ratio)
        for month, step in enumerate(steps, start=begin):
            at = np.maximum(0.0, at + step)
            higher = np.flatnonzero(at > highest)
            if len(higher):
                highest[higher] = at[higher]
                now = np.minimum(highest[higher] / top * BINS, BINS - 1).astype(np.int64)
                moved = higher[now != place[higher]]
                np.add.at(below, place[moved], month - since[moved])
                place[higher] = now
                since[moved] = month
    np.add.at(below, place, length - since)
    silent = np.cumsum(np.bincount(place, minlength=BINS))
    passed = np.maximum(paths - silent, 0.5)
    run = (paths - silent + np.cumsum(below)) / passed  # by the upper end of each bin; a run counts its last month
    enough = int(np.argmax(run >= mean_run))
    return float((min(enough, BINS - 1) + 1) * top / BINS)


def mean_run_length(
    pace: float,
    *,
    ratio: float,
    threshold: float,
    times: float = 1.0,
    dispersion: float = 1.0,
    longest: int = 6000,
    seed: int = SEED + 1,
    paths: int = PATHS,
) -> float:
    """Mean months to a signal where failures come `times` as fast as expected, by simulation from 0.

    Runs still silent after `longest` months count as that long.
    """
    _check(pace, ratio, 1.0)
    draw = np.random.default_rng(seed)
    at, months = np.zeros(paths), 0.0
    for _ in range(longest):
        if not len(at):
            break
        months += len(at)
        at = np.maximum(0.0, at + _steps(_counts(draw, pace * times, len(at), dispersion), pace, ratio))
        at = at[at < threshold]
    return months / paths


def chance_of_signal(
    expected: Sequence[float],
    *,
    ratio: float,
    threshold: float,
    dispersion: float = 1.0,
    seed: int = SEED + 2,
    paths: int = PATHS,
) -> float:
    """Chance of at least one false signal over these very months, by simulation of months as expected."""
    draw = np.random.default_rng(seed)
    at, silent = np.zeros(paths), np.ones(paths, dtype=bool)
    for one in expected:
        at = np.maximum(0.0, at + _steps(_counts(draw, one, paths, dispersion), one, ratio))
        silent &= at < threshold
    return float(1 - silent.mean())


def _steps(observed: Floats, expected: Floats | float, ratio: float) -> Floats:
    steps: Floats = observed * np.log(ratio) - (ratio - 1) * np.asarray(expected, dtype=np.float64)
    return steps


def _counts(draw: np.random.Generator, mean: float, size: int | tuple[int, int], dispersion: float) -> Floats:
    if mean <= 0:
        return np.zeros(size)
    if dispersion <= 1 + 1e-9:
        return draw.poisson(mean, size).astype(np.float64)
    return draw.negative_binomial(mean / (dispersion - 1), 1 / dispersion, size).astype(np.float64)


def _check(pace: float, ratio: float, mean_run: float) -> None:
    if not (pace > 0 and mean_run > 0):
        raise ValueError("pace and mean_run must be above 0")
    if not (ratio > 0 and ratio != 1):
        raise ValueError("ratio must be above 0 and not 1")
