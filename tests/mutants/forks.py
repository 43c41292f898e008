"""Work done in forks: each in a folder of its own, within so much processor time, so many at a time."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

HANGS = 20  # times the processor time allowed, by the clock: for a mutant that sleeps
NO_TEST = "collection"  # what kills a mutant if no test does: its module cannot even be imported


@dataclass
class Run:
    """A fork, and the folder in which it tells what it did."""

    pid: int
    number: int
    folder: Path
    started: float = field(default_factory=time.monotonic)

    def told(self) -> str:
        """The end of what the tests printed."""
        return (self.folder / "output").read_text(errors="replace")[-4000:]

    def killed_by(self, status: int) -> str:
        """The first test that failed, or why there was none."""
        failed = self.folder / "failed"
        if os.WIFSIGNALED(status):
            number = os.WTERMSIG(status)
            return "time limit" if number in (signal.SIGXCPU, signal.SIGKILL) else signal.Signals(number).name
        return failed.read_text(encoding="utf-8") if failed.exists() else NO_TEST

    def clear(self) -> None:
        """Leave nothing behind."""
        shutil.rmtree(self.folder, ignore_errors=True)


def each(
    waiting: Iterator[tuple[int, Callable[[Path], int]]], *, scratch: Path, jobs: int, limit: int
) -> Iterator[tuple[int, str | None]]:
    """By what each is killed, None if it lives, as they end; so many are tried at a time."""
    running: list[Run] = []
    while True:
        while len(running) < jobs and (job := next(waiting, None)):
            running.append(started(scratch, *job, limit=limit))
        if not running:
            return
        run, status, _ = ended(running, wall=limit * HANGS)
        running.remove(run)
        yield run.number, None if status == 0 else run.killed_by(status)
        run.clear()


def ended(running: Sequence[Run], *, wall: float | None) -> tuple[Run, int, float]:
    """The first that ends, its status and processor time; what takes longer than `wall` seconds is killed."""
    while True:
        for run in running:
            pid, status, usage = os.wait4(run.pid, os.WNOHANG)
            if pid:
                return run, status, usage.ru_utime + usage.ru_stime
            if wall is not None and time.monotonic() - run.started > wall:
                os.killpg(run.pid, signal.SIGKILL)
        time.sleep(0.01)


def started(scratch: Path, number: int, work: Callable[[Path], int], *, limit: int | None) -> Run:
    """A fork that does the work in a folder of its own; what it returns is the status."""
    folder = Path(tempfile.mkdtemp(dir=scratch))
    sys.stdout.flush()
    sys.stderr.flush()
    pid = os.fork()
    if pid:
        return Run(pid, number, folder)
    status = 70
    try:
        os.setpgid(0, 0)
        os.environ["PYTEST_DEBUG_TEMPROOT"] = str(folder)
        output = os.open(folder / "output", os.O_WRONLY | os.O_CREAT)
        for stream in (1, 2):
            os.dup2(output, stream)
        if limit is not None:
            resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))
        status = work(folder)
    except BaseException as error:
        os.write(2, f"{type(error).__name__}: {error}\n".encode())
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)
