"""Work done in another process while this one goes on: what loads long, or takes as long as all the rest.

One process does all of it, one piece after the other: each that is started loads the same libraries anew.

A process of its own and no thread, since threads of Python wait for one another; started anew and never forked, since
a forked process would wait for ever for the threads of the libraries that it did not take along; and by a command of
one line, so that whatever program runs here is not loaded there again. Rows go through a pipe and never to a disk.
The process ends with the stretch of work, or when the one that started it is gone, however that ended.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from functools import partial
from importlib import import_module
from queue import SimpleQueue
from threading import Thread
from typing import Any, Protocol, TypeVar

from pipeline.machine.query_thread import on_query_thread

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
    """Another process for a stretch of work: it does not outlive the `with` block, and is started when first needed.

    With `here`, and where there is no interpreter to start (a frozen program), the work is done in this process when
    its result is asked for.
    """

    def __init__(self, *, say: Say, here: bool = False) -> None:
        self._say = say
        self._here = here or bool(getattr(sys, "frozen", False)) or not sys.executable
        self._process: _Process | None = None

    def __enter__(self) -> Beside:
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.end()

    def prepare(self, *modules: str) -> None:
        """Start the process ahead, and let it load these modules.

        Where there is one processor alone nothing is started ahead.
        """
        if not self._here and (os.cpu_count() or 1) > 1:
            self._process = _Process(self._say, modules)

    def give(self, task: Task[T], *, seconds: float | None = None) -> Callable[[], T]:
        """Hand on `task`, which is told to whom to say its progress; the function that comes back waits for its result.

        Tasks are done in the order in which they are given. `task` must be picklable: a function of a module, or a
        `partial` of one. That function raises BesideError where the process failed, and where the task takes more than
        `seconds` after its result is asked for.
        """
        if self._here:
            return lambda: task(say=self._say)
        self._process = self._process or _Process(self._say, ())
        found = self._process.hand(task)

        def waited() -> T:
            try:
                return found.result(seconds)
            except TimeoutError:
                raise BesideError(f"it did not end within {seconds:g} s") from None

        return waited


def work() -> None:
    """The other process: gets its tasks by standard input, and answers on standard output."""
    # What a library prints must not stand among the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    # All from the process that started this one, and nobody else.
    for module in pickle.load(sys.stdin.buffer):
        with suppress(ImportError):  # the task that needs it says so
            import_module(module)
    tasks: SimpleQueue[Task[Any]] = SimpleQueue()
    Thread(target=_read_to_the_end, args=(tasks,), daemon=True).start()

    def tell(kind: str, what: object) -> None:
        answers.write(pickle.dumps((kind, what)))
        answers.flush()

    while True:
        task = tasks.get()
        try:
            found = on_query_thread(partial(task, say=lambda text: tell("said", text)))
        except Exception as error:
            tell("failed", type(error).__name__)  # its text may hold what is nobody's business
        else:
            tell("done", found)


def _read_to_the_end(tasks: SimpleQueue[Task[Any]]) -> None:
    # Reading ends when the process at the other end of the pipe does, and this process with it, whatever it is at.
    try:
        while True:
            tasks.put(pickle.load(sys.stdin.buffer))
    finally:
        os._exit(0)


class _Process:
    """The other process, which loads modules ahead, and the thread that hands it one task after the other."""

    def __init__(self, say: Say, modules: tuple[str, ...]) -> None:
        self._say = say
        self._why = ""
        self._tasks: SimpleQueue[tuple[Task[Any], Future[Any]] | None] = SimpleQueue()
        self._talk = Thread(target=self._hand_on, daemon=True)
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
        else:
            with suppress(OSError):  # it is gone already: whoever hands it a task is told
                self._write(modules)
        self._talk.start()

    def hand(self, task: Task[T]) -> Future[T]:
        found: Future[T] = Future()
        self._tasks.put((task, found))
        return found

    def end(self) -> None:
        if self._child is not None and self._child.poll() is None:
            self._child.kill()
        self._tasks.put(None)
        self._talk.join()
        if self._child is None:
            return
        for pipe in (self._child.stdin, self._child.stdout):
            with suppress(OSError):
                assert pipe is not None
                pipe.close()
        self._child.wait()

    def _hand_on(self) -> None:
        while (handed := self._tasks.get()) is not None:
            task, found = handed
            try:
                found.set_result(self._exchange(task))
            except BesideError as failed:
                found.set_exception(failed)

    def _exchange(self, task: Task[T]) -> T:
        if self._why:
            raise BesideError(self._why)
        assert self._child is not None
        try:
            self._write(task)
            while True:
                kind, what = pickle.load(self._child.stdout)  # type: ignore[arg-type]
                if kind != "said":
                    break
                self._say(what)
        except Exception:  # it is gone, or what it says is no answer
            self._why = "its answer cannot be read"
            with suppress(OSError):
                assert self._child.stdin is not None
                self._child.stdin.close()
            if status := self._child.wait():
                self._why = f"it ended with status {status}"
            raise BesideError(self._why) from None
        if kind == "failed":
            raise BesideError(f"it met {what}")
        answer: T = what
        return answer

    def _write(self, what: object) -> None:
        assert self._child is not None
        assert self._child.stdin is not None
        self._child.stdin.write(pickle.dumps(what))
        self._child.stdin.flush()
