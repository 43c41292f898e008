"""One function over many partitions: in this process, in several, or on a cluster, whatever the executor is.

What a partition gives is written by the one who worked it out, first beside its place and then put there in one step:
a run that was stopped, or lost a worker, goes on with the partitions that are not there yet.
"""

import importlib
import os
import shutil
import ssl
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.machine.errors import ConfigError, DataError
from pipeline.machine.progress import Progress

Work = Callable[[Path], Mapping[str, pl.DataFrame]]
# What tells the libraries beneath to work in one thread; read when a process imports them.
ONE_THREAD = ("POLARS_MAX_THREADS", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")


def run(
    work: Work,
    partitions: Sequence[Path],
    out: Path,
    *,
    executor: Executor | None = None,
    say: Callable[[str], None] = lambda _: None,
    what: str = "partitions",
    rows: int | None = None,
) -> list[Path]:
    """Do `work` on each partition; returns the folder of each result, in the order of `partitions`.

    - `work`: A function of a module, so that it can be sent to another process: one partition in, tables by name out.
    - `partitions`: Folders or files, each with a name of its own.
    - `out`: Where results go: `out/<name>/<table>.parquet`. A result that is there is not worked out again, so `out`
      must be another folder where the work or the partitions are others.
    - `executor`: Any `concurrent.futures` executor; None works in this process.
    - `what`, `rows`: What `say` is told is done, and to how many rows in all.

    Raises DataError where a worker process was lost. What is done is kept, and the next run goes on from there.
    """
    if len({p.name for p in partitions}) < len(partitions):
        raise ValueError("Two partitions share a name.")
    out.mkdir(parents=True, exist_ok=True, mode=0o700)
    places = [out / p.name for p in partitions]
    left = [(p, place) for p, place in zip(partitions, places, strict=True) if not place.is_dir()]
    if len(left) < len(places):
        say(f"{what}: {len(places) - len(left)} of {len(places)} are there already")
    rows_left = None if rows is None else round(rows * len(left) / max(len(places), 1))
    progress = Progress(what, len(left), say, of="parts", rows=rows_left)
    if executor is None:
        for partition, place in left:
            _one(work, partition, place)
            progress.step()
        return places
    futures: list[Future[None]] = [executor.submit(_one, work, partition, place) for partition, place in left]
    with minded(futures):
        for future in as_completed(futures):
            future.result()
            progress.step()
    return places


@contextmanager
def minded(futures: Sequence[Future[Any]]) -> Iterator[None]:
    """A lost worker process is told as a DataError; what has not begun by the end of the block never will."""
    try:
        yield
    except BrokenProcessPool:
        raise DataError(
            "A worker process was stopped from outside, as happens when memory runs out. What was done is kept: "
            "run again with fewer --workers."
        ) from None
    finally:
        for future in futures:
            future.cancel()


def workers_for(workers: int, address: str | None) -> AbstractContextManager[Executor | None]:
    """The executor of the command line: the Dask cluster at an address if there is one, else so many processes."""
    return processes(workers) if address is None else cluster(address)


@contextmanager
def processes(workers: int) -> Iterator[Executor | None]:
    """An executor of so many processes, each with one thread; None for one worker, which is this process."""
    if workers < 1:
        raise ConfigError("--workers must be 1 or more.")
    if workers == 1:
        yield None
        return
    former = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    try:
        # Never forked: a forked process would wait for ever for the threads that it did not take along.
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            yield pool
    finally:
        for name, value in former.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextmanager
def cluster(address: str) -> Iterator[Executor]:
    """An executor on a running Dask cluster, which must see the same files under the same paths.

    Raises ConfigError where the extra `cluster` is not installed, for an address on another machine that is not
    encrypted (rows of patients would travel in the clear, and whoever can reach such a scheduler can run code), and for
    an encrypted one whose certificates are not named: they show both sides that the other one is who it says.
    """
    kind, _, where = address.rpartition("://")
    host = where.rpartition(":")[0]
    if kind != "tls" and host not in LOOPBACK:
        raise ConfigError("--cluster on another machine must be encrypted: give tls://HOST:PORT.")
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise ConfigError("--cluster needs the extra: pip install 'toothyears[cluster]'.") from None
    security = _certificates(distributed) if kind == "tls" else None
    try:
        client = distributed.Client(address, timeout="10s", security=security)
    except ssl.SSLError:
        raise ConfigError(
            "The scheduler at the address of --cluster and this program do not accept each other's certificates. Both "
            "must be signed by the one authority in ca-file, and not have run out."
        ) from None
    except (OSError, TimeoutError):
        raise ConfigError(
            "No scheduler answers at the address of --cluster. Start it, or leave --cluster out."
        ) from None
    with client:
        yield client.get_executor(pure=False)


def _certificates(distributed: Any) -> Any:
    """The certificates that Dask's own settings name, for an encrypted address.

    Raises ConfigError where one is not named, or its file is not there.
    """
    security = distributed.Security(require_encryption=True)
    told = {
        "ca-file": security.tls_ca_file,
        "client.cert": security.tls_client_cert,
        "client.key": security.tls_client_key,
    }
    lacking = [name for name, path in told.items() if not path or not Path(path).is_file()]
    if lacking:
        names = ", ".join(f"distributed.comm.tls.{name}" for name in lacking)
        raise ConfigError(
            f"--cluster tls:// needs certificates, and {names} name{'s' if len(lacking) == 1 else ''} no file. Whoever "
            "runs the cluster gives three files: the authority's certificate, yours, and your key. Name them in Dask's "
            "settings or in the environment as DASK_DISTRIBUTED__COMM__TLS__CA_FILE, "
            "DASK_DISTRIBUTED__COMM__TLS__CLIENT__CERT and DASK_DISTRIBUTED__COMM__TLS__CLIENT__KEY."
        )
    return security


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
