"""One function over many partitions: in this process, in several, or on a cluster, whatever the executor is.

What a partition gives is written by the one who worked it out, first beside its place and then put there in one step:
a run that was stopped, or lost a worker, goes on with the partitions that are not there yet.
"""

from __future__ import annotations

import importlib
import os
import shutil
import time
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import ConfigError, DataError

Work = Callable[[Path], Mapping[str, pl.DataFrame]]
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")


def run(
    work: Work,
    partitions: Sequence[Path],
    out: Path,
    *,
    executor: Executor | None = None,
    say: Callable[[str], None] = lambda _: None,
    what: str = "partitions",
) -> list[Path]:
    """Do `work` on each partition; returns the folder of each result, in the order of `partitions`.

    Parameters
    ----------
    work
        A function of a module, so that it can be sent to another process: one partition in, tables by name out.
    partitions
        Folders or files, each with a name of its own.
    out
        Where results go: `out/<name>/<table>.parquet`. A result that is there is not worked out again, so `out` must
        be another folder where the work or the partitions are others.
    executor
        Any `concurrent.futures` executor; None works in this process.

    Raises
    ------
    DataError
        Where a worker process was lost. What is done is kept, and the next run goes on from there.
    """
    if len({p.name for p in partitions}) < len(partitions):
        raise ValueError("Two partitions share a name.")
    out.mkdir(parents=True, exist_ok=True, mode=0o700)
    places = [out / p.name for p in partitions]
    left = [(p, place) for p, place in zip(partitions, places, strict=True) if not place.is_dir()]
    if len(left) < len(places):
        say(f"{what}: {len(places) - len(left)} of {len(places)} are there already")
    progress = _Progress(len(left), what, say)
    if executor is None:
        for partition, place in left:
            _one(work, partition, place)
            progress.step()
        return places
    futures: list[Future[None]] = [executor.submit(_one, work, partition, place) for partition, place in left]
    try:
        for future in as_completed(futures):
            future.result()
            progress.step()
    except BrokenProcessPool:
        raise DataError(
            "A worker process was stopped from outside, as happens when memory runs out. What was done is kept: "
            "run again with fewer --workers."
        ) from None
    finally:
        for future in futures:
            future.cancel()
    return places


@contextmanager
def processes(workers: int) -> Iterator[Executor | None]:
    """An executor of so many processes, each with one thread; None for one worker, which is this process."""
    if workers < 1:
        raise ConfigError("--workers must be 1 or more.")
    if workers == 1:
        yield None
        return
    former = os.environ.get("POLARS_MAX_THREADS")
    os.environ["POLARS_MAX_THREADS"] = "1"
    try:
        # Never forked: a forked process would wait for ever for the threads that it did not take along.
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            yield pool
    finally:
        if former is None:
            del os.environ["POLARS_MAX_THREADS"]
        else:
            os.environ["POLARS_MAX_THREADS"] = former


@contextmanager
def cluster(address: str) -> Iterator[Executor]:
    """An executor on a running Dask cluster, which must see the same files under the same paths.

    Raises ConfigError where the extra `cluster` is not installed, and for an address on another machine that is not
    encrypted: rows of patients would travel in the clear, and whoever can reach such a scheduler can run code.
    """
    kind, _, where = address.rpartition("://")
    host = where.rpartition(":")[0]
    if kind != "tls" and host not in LOOPBACK:
        raise ConfigError("--cluster on another machine must be encrypted: give tls://HOST:PORT.")
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise ConfigError("--cluster needs the extra: pip install 'toothyears[cluster]'.") from None
    try:
        client = distributed.Client(address, timeout="10s")
    except (OSError, TimeoutError):
        raise ConfigError(
            "No scheduler answers at the address of --cluster. Start it, or leave --cluster out."
        ) from None
    with client:
        yield client.get_executor(pure=False)


def _one(work: Work, partition: Path, place: Path) -> None:
    """Work out one partition and put its tables in place, whole or not at all."""
    if place.is_dir():
        return
    beside = place.with_name(f".{place.name}.{uuid.uuid4().hex}.tmp")
    beside.mkdir(mode=0o700)
    try:
        for name, table in work(partition).items():
            table.write_parquet(beside / f"{name}.parquet", compression="lz4")
        try:
            os.replace(beside, place)
        except OSError:
            # Another worker was given the same partition and was first; both hold the same.
            if not place.is_dir():
                raise
    finally:
        shutil.rmtree(beside, ignore_errors=True)


class _Progress:
    """Tells how many partitions are done, how fast, and how long the others will take; at most once a second."""

    def __init__(self, total: int, what: str, say: Callable[[str], None]) -> None:
        self._total, self._what, self._say = total, what, say
        self._done, self._begun, self._told = 0, time.monotonic(), float("-inf")

    def step(self) -> None:
        self._done += 1
        now = time.monotonic()
        if self._done < self._total and now - self._told < 1:
            return
        self._told = now
        each = (now - self._begun) / self._done
        left = f", about {each * (self._total - self._done):.0f} s left" if self._done < self._total else ""
        self._say(f"{self._what}: {self._done} of {self._total}, {1 / max(each, 1e-9):.1f} a second{left}")
