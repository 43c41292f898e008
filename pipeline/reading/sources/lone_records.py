"""Records that stand alone where others of their kind stand in lists: of a patient with several crowns and one
extraction, both with a day, a code and a tooth, the extraction is a record too and no field of the patient.

Told from the whole tree: by the names of fields that a lone record and a list beside it, or two lone records, share.
"""

from collections import defaultdict
from collections.abc import Iterator
from typing import Any

Path = tuple[str, ...]

_MOST_DEEP = 50
_MOST_BESIDE = 60  # more names than these beside each other are no names of kinds of records
_LIKE_A_LIST, _LIKE_EACH_OTHER = 2, 3  # names of fields in common
_SHARE = 2 / 3


def with_lone_records(tree: Any) -> Any:
    """The tree with every such record as a list of one."""
    names: dict[Path, set[str]] = defaultdict(set)
    listed: set[Path] = set()
    lone: set[Path] = set()
    for path, record, in_list in _records(tree, (), 0):
        names[path].update(key for key, value in record.items() if not isinstance(value, dict | list))
        (listed if in_list else lone).add(path)
    beside: dict[Path, list[Path]] = defaultdict(list)
    for path in sorted(names):
        beside[path[:-1]].append(path)
    found = {
        p
        for p in lone
        if len(beside[p[:-1]]) <= _MOST_BESIDE and any(_alike(p, q, names, listed) for q in beside[p[:-1]])
    } | (lone & listed)
    return _wrapped(tree, (), found, 0) if found else tree


def _alike(one: Path, other: Path, names: dict[Path, set[str]], listed: set[Path]) -> bool:
    if one == other:
        return False
    both = len(names[one] & names[other])
    least = _LIKE_A_LIST if other in listed else _LIKE_EACH_OTHER
    return both >= least and both >= _SHARE * min(len(names[one]), len(names[other]))


def _records(node: Any, path: Path, depth: int) -> Iterator[tuple[Path, dict[str, Any], bool]]:
    """The records below a node with the names on the way to each, and whether it stands in a list."""
    if depth > _MOST_DEEP:
        return
    if isinstance(node, list):
        for one in node:
            yield from _records(one, path, depth + 1)
    elif isinstance(node, dict):
        for key, value in node.items():
            here = (*path, key)
            if isinstance(value, dict):
                yield here, value, False
            elif isinstance(value, list):
                yield from ((here, one, True) for one in value if isinstance(one, dict))
            yield from _records(value, here, depth + 1)


def _wrapped(node: Any, path: Path, found: set[Path], depth: int) -> Any:
    if depth > _MOST_DEEP:
        return node
    if isinstance(node, list):
        return [_wrapped(one, path, found, depth + 1) for one in node]
    if not isinstance(node, dict):
        return node
    made = {}
    for key, value in node.items():
        is_record = (*path, key) in found
        if is_record and value is None:
            continue  # no such record here
        inner = _wrapped(value, (*path, key), found, depth + 1)
        made[key] = [inner] if is_record and isinstance(value, dict) else inner
    return made
