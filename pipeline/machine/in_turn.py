"""Tasks done one after the other on a thread beside the one that gives them, which meanwhile makes what the next needs.

Worth it where a task is long and of a library that lets other threads of Python work: a query over many rows, rows that
are stored. The thread is none of Polars' own: one of those that waits for the other would keep it waiting.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType

_MOST_WAITING = 2  # what waits keeps its rows in memory


class InTurn:
    """Done by the end of the `with` block; of a block that fails, what has not begun is left undone.

    What a task raises is raised where the next one is given, or waited for, and then none after it is done.
    """

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(1)
        self._given: deque[Future[None]] = deque()
        self._is_failed = False

    def do(self, task: Callable[[], None]) -> None:
        """Do a task after those before it."""
        self.wait(_MOST_WAITING - 1)
        self._given.append(self._thread.submit(self._do, task))

    def wait(self, most: int = 0) -> None:
        """Until at most so many tasks are still to be done."""
        while len(self._given) > most:
            self._given[0].result()
            self._given.popleft()

    def __enter__(self) -> InTurn:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._is_failed |= error is not None
        try:
            if error is None:
                self.wait()
        finally:
            self._thread.shutdown()

    def _do(self, task: Callable[[], None]) -> None:
        if self._is_failed:
            return
        try:
            task()
        except BaseException:
            self._is_failed = True
            raise
