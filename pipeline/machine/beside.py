"""Work done in a process of its own while this one goes on: what loads long, or takes as long as all the rest.

A process of its own and no thread, since threads of Python wait for one another; started anew and never forked, since
a forked process would wait for ever for the threads of the libraries that it did not take along; and by a command of
one line, so that whatever program runs here is not loaded there again. Rows go through a pipe and never to a disk.
The process ends when its work is done, or when the one that started it is gone, however that ended.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from threading import Thread
from typing import Any, Generic, Protocol, TypeVar

Say = Callable[[str], None]
T = TypeVar("T")
T_co = TypeVar("T_co", covariant=True)
# -I leaves out the folder and the environment that Python was started with: it looks where this process looks.
_CHILD = "import sys; sys.path[:] = sys.argv[1:]; from pipeline.machine.beside import work; work()"


class Task(Protocol[T_co]):
    """Work that says how far it is."""

    def __call__(self, *, say: Say) -> T_co:
        """The work's result."""
        ...


class BesideError(Exception):
    """The other process did not do its work; the text says why."""


class Beside:
    """Other processes for a stretch of work: none outlives the `with` block.

    With `here`, and where there is no interpreter to start (a frozen program), the work is done in this process when
    its result is asked for.
    """

    def __init__(self, *, say: Say, here: bool = False) -> None:
        self._say = say
        self._here = here or bool(getattr(sys, "frozen", False)) or not sys.executable
        self._started: list[_Process[Any]] = []

    def __enter__(self) -> Beside:
        return self

    def __exit__(self, *_: object) -> None:
        for process in self._started:
            process.end()

    def give(self, task: Task[T], *, seconds: float | None = None) -> Callable[[], T]:
        """Begin `task`, which is told to whom to say its progress; the function that comes back waits for its result.

        `task` must be picklable: a function of a module, or a `partial` of one. That function raises BesideError where
        the process failed, and where it takes more than `seconds` after its result is asked for.
        """
        if self._here:
            return lambda: task(say=self._say)
        process = _Process(task, self._say)
        self._started.append(process)
        return lambda: process.result(seconds)


def work() -> None:
    """The other process: gets its task by standard input, and answers on standard output."""
    # What a library prints must not stand among the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    task = pickle.load(sys.stdin.buffer)  # from the process that started this one, and nobody else
    Thread(target=_end_with_the_other, daemon=True).start()

    def tell(kind: str, what: object) -> None:
        answers.write(pickle.dumps((kind, what)))
        answers.flush()

    try:
        found = task(say=lambda text: tell("said", text))
    except Exception as error:
        tell("failed", type(error).__name__)  # its text may hold what is nobody's business
    else:
        tell("done", found)


def _end_with_the_other() -> None:
    # Nothing more is ever sent: reading ends when the process at the other end of the pipe does.
    os.read(0, 1)
    os._exit(0)


class _Process(Generic[T]):
    """One other process, and the thread that hands it the task and takes its answers."""

    def __init__(self, task: Task[T], say: Say) -> None:
        self._task, self._say = task, say
        self._found: list[T] = []
        self._why = ""
        path = [os.path.abspath(p) for p in sys.path if isinstance(p, str)]  # "" is the folder of now
        try:
            self._child: subprocess.Popen[bytes] | None = subprocess.Popen(
                [sys.executable, "-I", "-c", _CHILD, *path],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
        except OSError as error:
            self._child, self._why = None, error.strerror or "it cannot be started"
            return
        self._talk = Thread(target=self._exchange, args=(self._child,), daemon=True)
        self._talk.start()

    def result(self, seconds: float | None) -> T:
        if self._child is not None:
            self._talk.join(seconds)
            if self._talk.is_alive():
                raise BesideError(f"it did not end within {seconds:g} s")
        if not self._found:
            raise BesideError(self._why)
        return self._found[0]

    def end(self) -> None:
        if self._child is None:
            return
        if self._child.poll() is None:
            self._child.kill()
        self._talk.join()
        self._child.wait()

    def _exchange(self, child: subprocess.Popen[bytes]) -> None:
        assert child.stdin is not None
        assert child.stdout is not None
        with child.stdout:
            try:
                child.stdin.write(pickle.dumps(self._task))
                child.stdin.flush()
                self._take(child)
            except Exception:  # it is gone, or what it says is no answer
                self._why = self._why or "its answer cannot be read"
        with suppress(OSError):
            child.stdin.close()
        if status := child.wait():
            self._why = f"it ended with status {status}"

    def _take(self, child: subprocess.Popen[bytes]) -> None:
        while True:
            kind, what = pickle.load(child.stdout)  # type: ignore[arg-type]
            if kind == "said":
                self._say(what)
            elif kind == "done":
                self._found.append(what)
                return
            else:
                self._why = f"it met {what}"
                return
