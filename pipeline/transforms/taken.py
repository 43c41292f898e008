"""Steps that are taken once: a pure step on the very tables that it was taken on before gives what it gave then.

Linking under two sets of rules differs in a few steps; the others read the same tables and the same numbers.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


class Taken:
    """Results by step, by the tables that it read (the objects themselves) and by its numbers and words (by value).

    Any number of threads may ask; each step is taken by the first of them. What is kept, inputs included, is kept as
    long as this object.
    """

    def __init__(self) -> None:
        self._known: dict[tuple[Any, ...], tuple[Future[Any], tuple[Any, ...]]] = {}
        self._lock = threading.Lock()

    def __call__(self, step: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
        """What `step(*args, **named)` gives; a step that failed fails again."""
        key = (step, *map(_mark, args), *((name, _mark(value)) for name, value in named.items()))
        with self._lock:
            is_first = key not in self._known
            # What was read is kept, for the id of a table that is gone may be given to another.
            future = self._known.setdefault(key, (Future(), (*args, *named.values())))[0]
        if is_first:
            try:
                future.set_result(step(*args, **named))
            except BaseException as error:
                future.set_exception(error)
                raise
        found: T = future.result()
        return found


def _mark(value: object) -> object:
    return value if value is None or isinstance(value, (str, int, float)) else ("table", id(value))
