"""A command as a user calls it: in a process of its own, or within this one, which spares the start of the program."""

from __future__ import annotations

import contextlib
import functools
import io
import os
import signal
import subprocess
import sys
import unittest.mock
from dataclasses import dataclass
from pathlib import Path

from pipeline.machine.beside import Beside
from pipeline.stages import cli


@dataclass(frozen=True)
class Done:
    """How a command ended and what it printed."""

    returncode: int
    stdout: str
    stderr: str


def toothyears(*arguments: str | Path, cwd: Path) -> Done:
    """Run a command here, from its arguments to its exit status, with what is done beside it done here too."""
    out, err, status = io.StringIO(), io.StringIO(), 0
    mask, handler = os.umask(0o077), signal.getsignal(signal.SIGTERM)
    try:
        with (
            contextlib.chdir(cwd),
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            unittest.mock.patch.object(sys, "argv", ["toothyears", *map(str, arguments)]),
            unittest.mock.patch.object(cli, "Beside", functools.partial(Beside, here=True)),
        ):
            cli.main()
    except SystemExit as leaving:
        status = int(leaving.code or 0)
    finally:
        os.umask(mask)
        signal.signal(signal.SIGTERM, handler)
    return Done(status, out.getvalue(), err.getvalue())


def in_a_process(*arguments: str | Path, cwd: Path) -> Done:
    """Run a command in a process of its own, as a shell does."""
    command = [sys.executable, "-m", "pipeline", *map(str, arguments)]
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=600, check=False)
    return Done(done.returncode, done.stdout, done.stderr)
