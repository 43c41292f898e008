"""Patients drawn again with replacement, and limits from what a statistic then gives.

A replicate is one vector of counts: how often each patient was drawn. A statistic takes such counts, so that it can
weight rows instead of copying them. The counts of replicate r depend on the seed and r alone: neither the number of
workers nor the order in which they finish changes a result.

References
----------
[1] Efron B. Better bootstrap confidence intervals. J Am Stat Assoc 1987;82:171-185.
[2] DiCiccio TJ, Efron B. Bootstrap confidence intervals. Stat Sci 1996;11:189-228.
[3] Field CA, Welsh AH. Bootstrapping clustered data. J R Stat Soc B 2007;69:369-390 (from memory).
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from pipeline.stats.limits import z_value

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
# Takes the counts of the clusters; returns the values and a word on how it went, "failed" if there are none. To run
# in several processes it must be picklable: an object of a module-level class or a module-level function.
Statistic = Callable[[Counts], tuple[Floats, str]]
Progress = Callable[[int, int], None]

FAILED = "failed"
# With more failed replicates than this the rest no longer stands for the whole (common practice, no source).
MOST_FAILED = 0.05
CHUNK = 20
THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


@dataclass(frozen=True, eq=False)
class Replicates:
    """`values` has one line per replicate, NaN for those that failed; `words` counts how the replicates went."""

    values: Floats = field(repr=False)
    words: dict[str, int]
    seed: int

    @property
    def n(self) -> int:
        """Replicates asked for."""
        return len(self.values)

    @property
    def failed(self) -> int:
        """Replicates without an estimate; limits leave them out."""
        return self.words.get(FAILED, 0)


@dataclass(frozen=True)
class BootstrapLimits:
    """Limits, the standard deviation of the replicates, and how many entered; limits are NaN if too many failed."""

    low: float
    high: float
    std_error: float
    n_used: int
    n_failed: int
    kind: Literal["bca", "percentile"]
    confidence: float


def draw_counts(n_clusters: int, *, seed: int, replicate: int) -> Counts:
    """How often each of `n_clusters` is drawn in one replicate: as many draws as clusters, with replacement."""
    random = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(replicate,)))
    drawn = random.integers(0, n_clusters, n_clusters)
    return np.bincount(drawn, minlength=n_clusters)


def bootstrap_clusters(
    statistic: Statistic,
    n_clusters: int,
    *,
    replicates: int = 1000,
    seed: int,
    workers: int = 1,
    progress: Progress | None = None,
) -> Replicates:
    """The statistic under `replicates` draws of the clusters [3].

    `workers` above 1 spreads the replicates over that many processes; the program's main module must then be safe to
    import. Linear algebra may round differently in them, no more. `progress(done, of)` is called now and then, in this
    process. Number the clusters 0, 1, 2... in the sorted order of their labels (as a Cox fit does), so that the order
    of the rows does not decide who is drawn.
    """
    if n_clusters < 2 or replicates < 1 or workers < 1:
        raise ValueError("A bootstrap needs at least 2 clusters, 1 replicate and 1 worker.")
    parts: dict[int, list[tuple[Floats, str]]] = {}
    done = 0
    for first, part in _run(statistic, n_clusters, replicates, seed, workers):
        parts[first] = part
        done += len(part)
        if progress is not None:
            progress(done, replicates)
    results = [result for first in sorted(parts) for result in parts[first]]
    words: dict[str, int] = {}
    for _, word in results:
        words[word] = words.get(word, 0) + 1
    values = np.stack([np.where(word == FAILED, np.nan, np.ravel(value)) for value, word in results])
    return Replicates(values, dict(sorted(words.items())), seed)


def percentile_limits(values: Floats, *, confidence: float = 0.95) -> BootstrapLimits:
    """Limits that are quantiles of the replicates [2]. `values` has one number per replicate, NaN for the failed."""
    tail = (1 - confidence) / 2
    z_value(confidence)
    return _limits(values, tail, 1 - tail, "percentile", confidence)


def bca_limits(values: Floats, *, estimate: float, influence: Floats, confidence: float = 0.95) -> BootstrapLimits:
    """Bias-corrected and accelerated limits [1, 2]: second-order accurate, and they keep to the range of the statistic.

    `influence` is each cluster's pull on the estimate; its skewness gives the acceleration. Where all replicates lie on
    one side of the estimate there are no such limits: NaN.
    """
    z = z_value(confidence)
    known = values[~np.isnan(values)]
    below = (np.sum(known < estimate) + np.sum(known == estimate) / 2) / max(len(known), 1)
    spread = float(np.sum(influence**2))
    if not 0 < below < 1 or spread == 0:
        return _limits(values, np.nan, np.nan, "bca", confidence)
    bias = ndtri(below)
    acceleration = float(np.sum(influence**3)) / (6 * spread**1.5)
    low, high = (float(ndtr(bias + (bias + end) / (1 - acceleration * (bias + end)))) for end in (-z, z))
    return _limits(values, low, high, "bca", confidence)


def _limits(
    values: Floats, low: float, high: float, kind: Literal["bca", "percentile"], confidence: float
) -> BootstrapLimits:
    known = values[~np.isnan(values)]
    n_failed = len(values) - len(known)
    ends = np.array([np.nan, np.nan])
    if len(known) > 1 and n_failed <= MOST_FAILED * len(values) and np.isfinite(low):
        # The (B + 1)-th parts, which is where quantiles of B replicates are taken.
        ends = np.quantile(known, [low, high], method="weibull")
    error = float(np.std(known, ddof=1)) if len(known) > 1 else np.nan
    return BootstrapLimits(float(ends[0]), float(ends[1]), error, len(known), n_failed, kind, confidence)


def _run(
    statistic: Statistic, n_clusters: int, replicates: int, seed: int, workers: int
) -> Iterator[tuple[int, list[tuple[Floats, str]]]]:
    starts = range(0, replicates, CHUNK)
    if workers == 1:
        for first in starts:
            yield first, _replicate(statistic, n_clusters, seed, first, min(first + CHUNK, replicates))
        return
    # A forked process can inherit a lock that a thread of the parent (polars', say) holds, and wait for ever. Threads
    # gain nothing: the sums per risk set hold Python's global lock.
    context = multiprocessing.get_context("spawn")
    with (
        ProcessPoolExecutor(workers, mp_context=context, initializer=_install, initargs=(statistic,)) as pool,
        _one_thread_each(),
    ):
        jobs = {
            pool.submit(_replicate_there, n_clusters, seed, first, min(first + CHUNK, replicates)): first
            for first in starts
        }
        for job in as_completed(jobs):
            yield jobs[job], job.result()


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Keep linear algebra in the processes started meanwhile to one thread: more would wait for one another."""
    before = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


_installed: list[Statistic] = []


def _install(statistic: Statistic) -> None:
    """Keep the statistic in a worker, so that its arrays are sent once and not with every job."""
    _installed[:] = [statistic]


def _replicate_there(n_clusters: int, seed: int, first: int, end: int) -> list[tuple[Floats, str]]:
    return _replicate(_installed[0], n_clusters, seed, first, end)


def _replicate(statistic: Statistic, n_clusters: int, seed: int, first: int, end: int) -> list[tuple[Floats, str]]:
    return [statistic(draw_counts(n_clusters, seed=seed, replicate=r)) for r in range(first, end)]
