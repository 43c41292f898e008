"""The second opinion in a process of its own, which loads the other library while this one works on.

Loading it takes longer than what it is asked. The process gets whole days and our own ratios, never a patient, and
gives numbers back. It ends by itself: whoever started it may be gone.
"""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from threading import Thread

from pipeline.stats.second_opinion import Asked, Opinion, opinions

# A minute on a slow machine; a run is not held up for ever by a check.
MAX_SECONDS = 600
# -I leaves out the folder and the environment that Python was started with: it looks where this process looks.
_CHILD = "import sys; sys.path[:] = sys.argv[1:]; from pipeline.stats.beside import answer; answer()"
Answers = Callable[[], tuple[Opinion, ...]]


@contextmanager
def asked_beside(asked: Sequence[Asked], *, say: Callable[[str], None]) -> Iterator[Answers]:
    """Ask in another process; the function that the block gets waits for the opinions, in the order asked.

    Where there is no interpreter to start (a frozen program), or the library is loaded here already, this process
    answers. A process that fails is told to `say`, and there are no opinions then. None outlives the block.
    """
    if not asked:
        yield lambda: ()
    elif "lifelines" in sys.modules or getattr(sys, "frozen", False) or not sys.executable:
        yield lambda: opinions(asked)
    else:
        with _Process(asked) as process:
            yield lambda: process.opinions(say)


def answer() -> None:
    """The other process: asked by standard input, answers on standard output."""
    asked = pickle.loads(sys.stdin.buffer.read())  # from the process that started this one, and nobody else
    # What a library prints must not stand among the answers.
    out, sys.stdout = sys.stdout, sys.stderr
    out.write(json.dumps([asdict(opinion) for opinion in opinions(asked)]))


class _Process:
    """The other process, and the thread that hands it the rows and takes its answer: no full pipe holds either up."""

    def __init__(self, asked: Sequence[Asked]) -> None:
        self._said = ""
        path = [os.path.abspath(p) for p in sys.path if isinstance(p, str)]  # "" is the folder of now
        try:
            self._child = subprocess.Popen(
                [sys.executable, "-I", "-c", _CHILD, *path],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
        except OSError as error:
            self._child, self._why = None, error.strerror or "it cannot be started"
            return
        self._why = ""
        self._talk = Thread(target=self._exchange, args=(pickle.dumps(tuple(asked)),), daemon=True)
        self._talk.start()

    def __enter__(self) -> _Process:
        return self

    def __exit__(self, *_: object) -> None:
        if self._child is None:
            return
        if self._child.poll() is None:
            self._child.kill()
        self._talk.join()

    def opinions(self, say: Callable[[str], None]) -> tuple[Opinion, ...]:
        """Wait for the answer."""
        if self._child is not None:
            self._talk.join(MAX_SECONDS)
            if self._talk.is_alive():
                self._why = f"it did not end within {MAX_SECONDS} s"
            elif self._child.returncode:
                self._why = f"it ended with status {self._child.returncode}"
        if not self._why:
            try:
                return tuple(Opinion(**one) for one in json.loads(self._said))
            except (ValueError, TypeError):
                self._why = "its answer cannot be read"
        say(f"the second library was not heard: {self._why}. All figures stand; they were not computed twice this time")
        return ()

    def _exchange(self, rows: bytes) -> None:
        assert self._child is not None
        said, _ = self._child.communicate(rows)
        self._said = said.decode(errors="replace")
