"""Run a command as a process of its own and say what it cost: time, processor time, memory.

Time of processes that it started counts with it. Memory is the largest of its processes as the system counted it, and
the sum over all of them, sampled ten times a second.
"""

from __future__ import annotations

import os
import resource
import select
import signal
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

EVERY_S = 0.1
MB = 1024 * 1024


@dataclass(frozen=True)
class Measured:
    """Seconds by the clock and of processors, megabytes, and how it ended: `stopped` says why it was, if it was."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    peak_sum_mb: float
    exit_code: int
    output: str
    stopped: str = ""


def measure(
    command: Sequence[str], *, cwd: Path, log: Path, limit_s: float | None = None, limit_mb: float | None = None
) -> Measured:
    """Run `command` to its end, or stop it at `limit_s` seconds or `limit_mb` megabytes.

    What it says on standard output is given back, what it says on standard error is left in `log`.
    """
    said = log.with_suffix(".out")
    started = time.perf_counter()
    with said.open("wb") as out, log.open("wb") as errors:
        # A session of its own: whatever it starts can be found, counted and stopped with it.
        process = subprocess.Popen(command, cwd=cwd, stdout=out, stderr=errors, start_new_session=True, env=_as_user())
    try:
        status, used, peak_sum, stopped = _watch(process.pid, limit_s=limit_s, limit_mb=limit_mb)
    except BaseException:
        os.killpg(process.pid, signal.SIGKILL)
        raise
    process.returncode = os.waitstatus_to_exitcode(status)
    return Measured(
        wall_s=time.perf_counter() - started,
        cpu_s=used.ru_utime + used.ru_stime,
        peak_mb=used.ru_maxrss / 1024,
        peak_sum_mb=max(peak_sum, used.ru_maxrss / 1024),
        exit_code=process.returncode,
        output=said.read_text(encoding="utf-8"),
        stopped=stopped,
    )


def _as_user() -> dict[str, str]:
    """The environment without what would compile every module anew at each start, which no user has."""
    return {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


def _watch(
    pid: int, *, limit_s: float | None, limit_mb: float | None
) -> tuple[int, resource.struct_rusage, float, str]:
    started, peak_sum, stopped = time.perf_counter(), 0.0, ""
    ended = os.pidfd_open(pid)  # readable the moment the process ends, so that no wait is on its account
    try:
        while not select.select([ended], [], [], EVERY_S)[0]:
            now = session_mb(pid)
            peak_sum = max(peak_sum, now)
            if limit_s is not None and time.perf_counter() - started > limit_s:
                stopped = f"stopped after {limit_s:,.0f} s"
            elif limit_mb is not None and now > limit_mb:
                stopped = f"stopped at {now:,.0f} MB of memory"
            if stopped:
                os.killpg(pid, signal.SIGKILL)
                break
    finally:
        os.close(ended)
    _, status, used = os.wait4(pid, 0)
    return status, used, peak_sum, stopped


def session_mb(session: int) -> float:
    """Memory in use by all processes of a session, in MB; pages that they share count in each."""
    total = 0
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            after_name = (entry / "stat").read_text(encoding="utf-8").rpartition(")")[2].split()
        except OSError:  # it ended in between
            continue
        # Fields after the name: state, parent, group, session, ...; the 22nd is the resident pages.
        if int(after_name[3]) == session:
            total += int(after_name[21])
    return total * os.sysconf("SC_PAGE_SIZE") / MB
