"""Work done on one of the threads on which Polars answers queries.

A query asked from any other thread is handed to one of Polars' own, which is woken for it, and the answer is handed
back: over the few rows of a practice that costs more than the answer. On one of its own threads a query is answered
there and then, and large ones still share their work with the others. Measured in November 2026, the main comparison of
2,000 crowns counted in other ways (7,400 queries, 180 models): 5.5 s of processor from any other thread, 3.6 s so; by
the clock of a machine that others use 107 s and 27 s.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from threading import Event, Thread, get_ident, local
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from polars import Series

T = TypeVar("T")
_here = local()  # whether this is such a thread


def on_query_thread(task: Callable[[], T]) -> T:
    """What `task` gives, or raises; what interrupts the thread that waits for it interrupts the task.

    Done on the thread that asks if that is such a one; where Polars has one thread alone, which would wait for itself;
    and where a tracer follows the program, which it could not do there.
    """
    import polars as pl

    if getattr(_here, "is_one", False) or pl.thread_pool_size() < 2 or sys.gettrace() is not None:
        return task()
    work = _Work(task)
    Thread(target=work.enter, daemon=True).start()
    try:
        work.ended.wait()
    except BaseException as stopped:
        work.interrupt(type(stopped))
        work.ended.wait()
        raise
    if work.error is not None:
        raise work.error
    return work.found[0]


class _Work(Generic[T]):
    """A task on its way to a thread of Polars and back."""

    def __init__(self, task: Callable[[], T]) -> None:
        self._task = task
        self._thread = 0
        self._kind: type[BaseException] | None = None
        self.found: list[T] = []
        self.error: BaseException | None = None
        self.ended = Event()

    def enter(self) -> None:
        import polars as pl

        try:
            # Of two columns each is worked out on a thread of its own; of one alone, on the thread that asks.
            two = pl.DataFrame({"task": [0], "beside": [0]})
            two.select(pl.col("task").map_batches(self._do, return_dtype=pl.Int64), pl.col("beside") + 1)
        except BaseException as error:
            self.error = self.error or error
        finally:
            self.ended.set()

    def interrupt(self, kind: type[BaseException]) -> None:
        """Raise an exception in the task at its next step of Python, as a signal does on the main thread."""
        import ctypes

        self._kind = kind
        ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(self._thread), ctypes.py_object(kind))

    def _do(self, rows: Series) -> Series:
        self._thread, _here.is_one = get_ident(), True
        try:
            if self._kind is not None:  # before it began
                raise self._kind
            self.found.append(self._task())
        except BaseException as error:
            self.error = error
        finally:
            _here.is_one = False
        return rows
