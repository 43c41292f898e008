"""Steps that are taken once: a pure step on the very tables that it was taken on before gives what it gave then.

Linking under two sets of rules differs in a few steps; the others read the same tables and the same numbers.
"""

from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


class Taken:
    """Results by step, by the tables that it read (the objects themselves) and by its numbers and words (by value).

    What is kept, inputs included, is kept as long as this object.
    """

    def __init__(self) -> None:
        self._known: dict[tuple[Any, ...], tuple[Any, tuple[Any, ...]]] = {}

    def __call__(self, step: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
        """What `step(*args, **named)` gives."""
        key = (step, *map(_mark, args), *((name, _mark(value)) for name, value in named.items()))
        if key not in self._known:
            # What was read is kept, for the id of a table that is gone may be given to another.
            self._known[key] = step(*args, **named), (*args, *named.values())
        found: T = self._known[key][0]
        return found


def _mark(value: object) -> object:
    return value if value is None or isinstance(value, (str, int, float)) else ("table", id(value))
