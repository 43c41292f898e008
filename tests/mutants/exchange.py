"""The code of a mutated function in place of the live one's, where that is all that a mutant changes."""

from __future__ import annotations

import gc
import inspect
from collections import defaultdict
from collections.abc import Mapping, Sequence
from types import CodeType, FunctionType

Name = tuple[str, int]  # of a function: its qualified name and first line


def exchanged(
    plain: CodeType, mutated: CodeType, live: Mapping[Name, Sequence[FunctionType]]
) -> list[tuple[FunctionType, CodeType]]:
    """The live functions whose code a mutant changes, each with its new one; none where that would not be all of it."""
    (bodies, before), (other_bodies, after) = _parts(plain), _parts(mutated)
    if bodies != other_bodies or before.keys() != after.keys():
        return []
    changed = [name for name in after if before[name] != after[name] and name in live]
    new = [(function, after[name][0]) for name in changed for function in live[name]]
    known = all(len(after[name]) == 1 for name in changed)
    return new if known and all(f.__code__.co_freevars == code.co_freevars for f, code in new) else []


def live_functions(file: str) -> dict[Name, list[FunctionType]]:
    """Those made of a file, whoever holds them."""
    gc.unfreeze()
    live = defaultdict(list)
    for one in gc.get_objects():
        if isinstance(one, FunctionType) and one.__code__.co_filename == file:
            live[one.__code__.co_qualname, one.__code__.co_firstlineno].append(one)
    gc.collect()
    gc.freeze()
    return dict(live)


def _parts(code: CodeType) -> tuple[list[CodeType], dict[Name, list[CodeType]]]:
    """The bodies of a module and its classes, without what is in them, and all functions by name and line."""
    bodies, functions = [], defaultdict(list)
    inside = [code]
    while inside:
        one = inside.pop()
        of = [c for c in one.co_consts if isinstance(c, CodeType)]
        inside += of
        if one.co_flags & inspect.CO_OPTIMIZED:
            functions[one.co_qualname, one.co_firstlineno].append(one)
        else:
            bodies.append(one.replace(co_consts=tuple(c for c in one.co_consts if c not in of)))
    return bodies, dict(functions)
