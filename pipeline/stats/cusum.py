"""A risk-adjusted CUSUM for failures over time: does the hazard look doubled from some month on?

After each month the chart adds the log-likelihood ratio of "the hazard is `ratio` times what was expected" against "as
expected": failures x log(ratio) - (ratio - 1) x expected failures, and never falls below 0. Expected failures are those
of every tooth under observation in that month, at its own age and with its own risks, so that a tooth tells something
for as long as it is followed and not only on some fixed day [Sego 2009; Biswas 2008]. A chart that reaches its
threshold signals and starts again from 0. What is expected is itself learnt from failures, so thresholds and delays are
those of charts whose expectation is wrong by as much as chance makes it [Jones 2012].
Sources: Steiner 2000. All are from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.spells import Floats

SEED = 20_090_515
PATHS = 1000
# Thresholds are sought between these, first on one grid and then within one of its steps.
LEAST, MOST, GRID = 0.4, 14.0, 20
# Months that a chart has run before the change whose notice is timed.
BEFORE = 60


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


@dataclass(frozen=True)
class Expectation:
    """How sure what is expected is: it rests on `failures` that chance made more or fewer than they should have been.

    With `learns` each new year is expected from all that failed before it, so that the years watched add to it; else
    what is expected stays wrong by the same factor throughout.
    """

    failures: float
    learns: bool


@dataclass(frozen=True)
class Design:
    """A threshold, with the mean number of false signals over the months that it is for and the chance of any."""

    threshold: float
    false_signals: float
    chance_of_any: float


def design(
    expected: ArrayLike,
    *,
    ratio: float,
    false_signals: float,
    rests_on: Expectation,
    year_starts: Sequence[int] = (),
    dispersion: float = 1.0,
    seed: int = SEED,
    paths: int = PATHS,
) -> Design:
    """The threshold with which these very months give `false_signals` on average where nothing changes.

    By simulated months, each path with an expectation wrong by chance (`rests_on`). `year_starts` are places of months
    in which a learning expectation takes in what failed before. `dispersion` above 1 draws monthly counts with that
    many times a Poisson count's variance.

    Raises ValueError unless something is expected, false_signals is above 0 and ratio neither 1 nor below 0.
    """
    months = np.asarray(expected, dtype=np.float64)
    _check(float(months.sum()), ratio, false_signals)
    draw = np.random.default_rng(seed)
    steps = _steps(*_months(draw, months, rests_on, year_starts, dispersion=dispersion, paths=paths), ratio)
    low, high = LEAST, MOST
    for _ in range(2):
        grid = np.geomspace(low, high, GRID)
        counts, _ = _signals(steps, grid)
        place = int(np.argmax(counts <= false_signals)) if (counts <= false_signals).any() else GRID - 1
        low, high = float(grid[max(place - 1, 0)]), float(grid[place])
    counts, any_of = _signals(steps, np.array([high]))
    return Design(high, float(counts[0]), float(any_of[0]))


def delay(
    pace: float,
    *,
    ratio: float,
    threshold: float,
    rests_on: Expectation,
    times: float | None = None,
    dispersion: float = 1.0,
    longest: int = 360,
    seed: int = SEED + 1,
    paths: int = PATHS,
) -> float:
    """Mean months from a lasting change to the signal, where `pace` a month are expected and then come `times` as many.

    The chart has run as expected for some years when the change comes. `times` is `ratio` unless given. Runs still
    silent after `longest` months count as that long.
    """
    _check(pace, ratio, 1.0)
    draw = np.random.default_rng(seed)
    known = pace * draw.gamma(rests_on.failures, 1 / rests_on.failures, paths)
    at, months = np.zeros(paths), 0.0
    for month in range(BEFORE + longest):
        if not len(at):
            break
        changed = month >= BEFORE
        months += len(at) * changed
        rate = pace * ((ratio if times is None else times) if changed else 1.0)
        at = np.maximum(0.0, at + _steps(_counts(draw, rate, len(at), dispersion), known, ratio))
        if changed:
            at, known = at[at < threshold], known[at < threshold]
        else:
            at[at >= threshold] = 0.0
    return months / paths


def _months(
    draw: np.random.Generator,
    expected: Floats,
    rests_on: Expectation,
    year_starts: Sequence[int],
    *,
    dispersion: float,
    paths: int,
) -> tuple[Floats, Floats]:
    """Failures of each month and path, and those expected of it on what was known by then."""
    seen = np.stack([_counts(draw, float(one), paths, dispersion) for one in expected])
    before = draw.gamma(rests_on.failures, 1.0, paths)
    known = np.empty_like(seen)
    ends = [*[y for y in year_starts if 0 < y < len(expected)], len(expected)] if rests_on.learns else [len(expected)]
    begin = 0
    for end in ends:
        factor = (before + seen[:begin].sum(axis=0)) / (rests_on.failures + expected[:begin].sum())
        known[begin:end] = expected[begin:end, None] * factor
        begin = end
    return seen, known


def _signals(steps: Floats, thresholds: Floats) -> tuple[Floats, Floats]:
    """Mean number of signals of a path under each threshold, and the share of paths with any."""
    at = np.zeros((len(thresholds), steps.shape[1]), dtype=np.float32)
    count = np.zeros(at.shape, dtype=np.int16)
    bar = thresholds.astype(np.float32)[:, None]
    for step in steps.astype(np.float32):
        at += step
        np.maximum(at, 0, out=at)
        out = at >= bar
        count += out
        at[out] = 0
    return count.mean(axis=1), (count > 0).mean(axis=1)


def _steps(observed: Floats, expected: Floats, ratio: float) -> Floats:
    steps: Floats = observed * np.log(ratio) - (ratio - 1) * np.asarray(expected, dtype=np.float64)
    return steps


def _counts(draw: np.random.Generator, mean: float, size: int | tuple[int, int], dispersion: float) -> Floats:
    if mean <= 0:
        return np.zeros(size)
    if dispersion <= 1 + 1e-9:
        return draw.poisson(mean, size).astype(np.float64)
    return draw.negative_binomial(mean / (dispersion - 1), 1 / dispersion, size).astype(np.float64)


def _check(pace: float, ratio: float, false_signals: float) -> None:
    if not (pace > 0 and false_signals > 0):
        raise ValueError("what is expected and the false signals must be above 0")
    if not (ratio > 0 and ratio != 1):
        raise ValueError("ratio must be above 0 and not 1")
