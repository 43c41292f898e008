"""Two runs' figures held against one another: every number, text and list of one against its fellow in the other."""

from __future__ import annotations

import fnmatch
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Json = Any
MISSING = "(nothing)"
# What tells the entries of a list apart, whatever their order: the words and places, never the figures.
IDENTITY = (
    "id", "benchmark_id", "outcome", "name", "reader", "who", "by", "provider", "arm", "label", "cause",
    "contrast", "model",
    "adjusted",
    "adjusted_for", "stratified_by", "group", "reference", "table", "field", "reason", "file", "what", "of", "kind",
    "chosen", "code", "when", "value", "step", "part", "years", "days", "month", "quarter",
)  # fmt: skip


@dataclass(frozen=True)
class Gap:
    """One figure that is not what it was to be."""

    path: str
    expected: Json
    found: Json

    def __str__(self) -> str:
        return f"{self.path}: {self.expected!r} was to be, {self.found!r} is"


def leaves(value: Json, path: str = "") -> Iterator[tuple[str, Json]]:
    """Every figure with its path; an empty list or dictionary is a figure too."""
    if isinstance(value, dict) and value:
        for key, inner in value.items():
            yield from leaves(inner, f"{path}/{key}")
    elif isinstance(value, list) and value:
        for n, inner in enumerate(value):
            yield from leaves(inner, f"{path}/{n}")
    else:
        yield path, value


def by_name(value: Json, path: str = "") -> Iterator[tuple[str, Json]]:
    """As `leaves`, but entries of lists are called by their words and not by their place."""
    if isinstance(value, dict) and value:
        for key, inner in value.items():
            yield from by_name(inner, f"{path}/{key}")
    elif isinstance(value, list) and value:
        met: dict[str, int] = {}
        for inner in value:
            name = _name(inner)
            met[name] = met.get(name, 0) + 1
            again = f"#{met[name]}" if met[name] > 1 else ""
            yield from by_name(inner, f"{path}/{name}{again}")
    else:
        yield path, value


def _name(entry: Json) -> str:
    if isinstance(entry, dict):
        told = [str(entry[k]) for k in IDENTITY if isinstance(entry.get(k), (str, int, float, bool, list))]
        return "(" + ", ".join(told).replace("/", " over ") + ")"
    if isinstance(entry, list) and entry and isinstance(entry[0], str):
        return "(" + entry[0].replace("/", " over ") + ")"
    return "(" + entry.replace("/", " over ") + ")" if isinstance(entry, str) else ""


def gaps(
    expected: Json,
    found: Json,
    *,
    near: float = 0.0,
    may: Sequence[str] = (),
    ordered: bool = True,
) -> list[Gap]:
    """The figures that differ, in the order of the paths; those on a path like one of `may` are let be.

    Numbers are equal to the last bit with `near` 0; else within it, relative to the larger, and absolutely below one
    thousandth of it: a difference of two figures, or a chance, may be 0 but for rounding. Texts, truth values, what
    could not be worked out, and the presence and the order of everything are always compared exactly; without
    `ordered`, entries of lists may stand in another order.
    """
    walk = leaves if ordered else by_name
    one, other = dict(walk(expected)), dict(walk(found))
    out = []
    for path in dict.fromkeys([*one, *other]):
        a, b = one.get(path, MISSING), other.get(path, MISSING)
        if not _same(a, b, near) and not any(fnmatch.fnmatchcase(path, pattern) for pattern in may):
            out.append(Gap(path, a, b))
    return out


def _same(a: Json, b: Json, near: float) -> bool:
    if isinstance(a, bool) or isinstance(b, bool) or not (_is_number(a) and _is_number(b)):
        return type(a) is type(b) and bool(a == b)
    if isinstance(a, int) and isinstance(b, int):
        return a == b
    return a == b or (near > 0 and math.isclose(a, b, rel_tol=near, abs_tol=near / 1000))


def _is_number(value: Json) -> bool:
    return isinstance(value, (int, float))


def changed(value: Json, change: Callable[[Json], Json], *, where: Sequence[str] = ("*",), path: str = "") -> Json:
    """The figures with `change` made of every one on a path like one of `where`."""
    if isinstance(value, dict):
        return {k: changed(v, change, where=where, path=f"{path}/{k}") for k, v in value.items()}
    if isinstance(value, list):
        return [changed(v, change, where=where, path=f"{path}/{n}") for n, v in enumerate(value)]
    return change(value) if any(fnmatch.fnmatchcase(path, pattern) for pattern in where) else value


def in_order_of_names(value: Json, where: Sequence[str], path: str = "") -> Json:
    """The figures with the entries of the lists on paths like one of `where` sorted by their words."""
    if isinstance(value, dict):
        return {k: in_order_of_names(v, where, f"{path}/{k}") for k, v in value.items()}
    if isinstance(value, list):
        found = [in_order_of_names(v, where, f"{path}/{n}") for n, v in enumerate(value)]
        return sorted(found, key=_name) if any(fnmatch.fnmatchcase(path, pattern) for pattern in where) else found
    return value


def add_at(value: Json, more: Mapping[str, float]) -> Json:
    """The figures with numbers added to those on these paths, as `by_name` calls them; each must be there."""
    left = dict(more)
    out = _add_at(value, left, "")
    assert not left, f"no such figures: {sorted(left)}"
    return out


def _add_at(value: Json, left: dict[str, float], path: str) -> Json:
    if isinstance(value, dict):
        return {k: _add_at(v, left, f"{path}/{k}") for k, v in value.items()}
    if isinstance(value, list):
        return [_add_at(v, left, f"{path}/{_name(v)}") for v in value]
    return value + left.pop(path) if path in left else value
