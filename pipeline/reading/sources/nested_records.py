"""Records within records, as JSON and XML hold them, as tables: one for every list of records, named by its path.

A row is a record of the innermost list, and what the records around it say is repeated on it: of a patient with
visits with procedures, every procedure has its visit's day and its patient's number. Fields within a field are named
with a point, `patient.id`; those of a record around with the name of its list, `visit.date`.
"""

import json
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from pathlib import Path
from typing import Any

from pipeline.machine.errors import DataError
from pipeline.reading.sources.found_tables import MAX_CELLS, FoundTables, Row, records_as_rows, too_large
from pipeline.reading.sources.json_records import parsed, read_records, whole_json

ALONE = "records"
_CODING = "coding"  # how health records write a code with its system and its words
_DAY = re.compile(r"^\d{4}-?\d{2}-?\d{2}$")
_LEAST_KEYS = 3
_MOST_DEEP = 50

Record = dict[str, str | None]


def tables_of(tree: Any, *, file: str) -> dict[str, Iterable[Row]]:
    """The tables of a tree of dicts, lists and plain values. Raises DataError if there are more cells than can be
    read."""
    plain = with_lone_records(_with_plain_codings(tree, 0))
    finder = _Finder(file, _maps_of(plain))
    finder.walk(plain, (), {}, 0)
    found: dict[str, Iterable[Row]] = {
        ".".join(path) or ALONE: list(records_as_rows(rows)) for path, rows in finder.records.items()
    }
    found |= {".".join(path) or ALONE: rows for path, rows in finder.cells.items()}
    if not found and isinstance(tree, dict):
        found[ALONE] = list(records_as_rows([flat(tree)]))
    return found


def _with_plain_codings(node: Any, depth: int) -> Any:
    """A tree whose lists called `coding`, of one code each, are that code: `"coding": [{"code": "done"}]`."""
    if depth > _MOST_DEEP:
        return node
    if isinstance(node, dict):
        alone = {key: value[0] for key, value in node.items() if key == _CODING and _is_one(value)}
        return {key: _with_plain_codings(value, depth + 1) for key, value in {**node, **alone}.items()}
    return [_with_plain_codings(value, depth + 1) for value in node] if isinstance(node, list) else node


def _is_one(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 1 and isinstance(value[0], dict)


def is_nested(record: Any) -> bool:
    """Whether a record holds lists of records."""
    if isinstance(record, dict):
        return any(is_nested(value) for value in record.values())
    return isinstance(record, list) and any(isinstance(one, dict) for one in record)


def flat(record: Mapping[str, Any]) -> Record:
    """The plain fields of a record, those within others named with a point; lists of values with commas between."""
    long: dict[tuple[str, ...], str | None] = {}
    _flatten(record, (), long, 0)
    short: dict[str, list[tuple[str, ...]]] = {}
    for path in long:
        short.setdefault(".".join(path[-2:]), []).append(path)
    names = {p: name if len(of) == 1 else ".".join(p) for name, of in short.items() for p in of}
    return {names[path]: value for path, value in long.items()}


def as_text(value: Any) -> str | None:
    """A plain value as text."""
    if value is None or isinstance(value, str):
        return None if value is None else value.replace("\0", "\ufffd")
    if isinstance(value, bool):
        return str(value).lower()
    return str(value) if isinstance(value, int | float) else json.dumps(value, ensure_ascii=False)


def _flatten(value: Mapping[str, Any], path: tuple[str, ...], into: dict[tuple[str, ...], Any], depth: int) -> None:
    for key, inner in value.items():
        here = (*path, key.strip())
        if isinstance(inner, dict) and depth < _MOST_DEEP:
            _flatten(inner, here, into, depth + 1)
        elif not is_nested(inner) and inner != []:
            into[here] = _listed(inner) if isinstance(inner, list) else as_text(inner)


def _listed(values: list[Any]) -> str | None:
    """A list of plain values as text: several numbers or short texts with a comma between, else as JSON."""
    texts = [as_text(value) for value in values if value is not None]
    plain = all(not isinstance(value, list | dict) for value in values) and not any("," in (t or "") for t in texts)
    return ", ".join(t or "" for t in texts) if plain else as_text(values)


class _Finder:
    def __init__(self, file: str, maps: Set[tuple[str, ...]]) -> None:
        self.file = file
        self._maps = maps
        self.records: dict[tuple[str, ...], list[Record]] = {}
        self.cells: dict[tuple[str, ...], list[list[str | None]]] = {}
        self._made = 0

    def walk(self, node: Any, path: tuple[str, ...], around: Record, depth: int) -> None:
        """Find the tables below a node; `around` is what the records around it say."""
        if depth > _MOST_DEEP:
            raise DataError(f"{self.file}: records stand within records too often. Export it as CSV.")
        if isinstance(node, dict):
            if (table := _columnar(node)) is not None:
                self.cells.setdefault(path, []).extend(self._counted(table))
            elif _is_map(node) or (path in self._maps and _has_numbers(node)):
                own_name = "date" if all(_DAY.match(key) for key in node) else "key"
                name = f"{_one(path)}.{own_name}" if path else own_name
                for key, value in node.items():
                    told = around | {name: key}
                    if isinstance(value, list):
                        self._list(value, path, told, depth + 1)
                    else:
                        self._list([{name: key} | value], path, told, depth + 1)
            else:
                own = around if path else around | flat(node)
                self._within(node, path, own, depth)
        elif isinstance(node, list) and any(isinstance(one, dict) for one in node):
            self._list(node, path, around, depth)
        elif _is_matrix(node):
            self.cells.setdefault(path, []).extend(self._counted([[as_text(c) for c in row] for row in node]))

    def _list(self, node: Sequence[Any], path: tuple[str, ...], around: Record, depth: int) -> None:
        for one in node:
            record = one if isinstance(one, dict) else {"value": one}
            own = flat(record)
            if any(value is not None for value in own.values()):
                row = own | {name: value for name, value in around.items() if name not in own}
                self.records.setdefault(path, []).append(row)
                self._made += len(row) + 1
                if self._made > MAX_CELLS:
                    raise too_large(self.file)
            told = {_named_around(name, path): value for name, value in own.items()}
            self._within(record, path, around | told, depth)

    def _within(self, record: Mapping[str, Any], path: tuple[str, ...], around: Record, depth: int) -> None:
        for key, inner in record.items():
            if isinstance(inner, dict | list):
                self.walk(inner, (*path, key.strip()), around, depth + 1)

    def _counted(self, rows: list[list[str | None]]) -> list[list[str | None]]:
        self._made += sum(len(row) + 1 for row in rows)
        if self._made > MAX_CELLS:
            raise too_large(self.file)
        return rows


def _columnar(node: Mapping[str, Any]) -> list[list[str | None]] | None:
    """A table kept by its columns, or as a list of headings and a list of rows; None if it is none."""
    lists = {key: value for key, value in node.items() if isinstance(value, list)}
    plain = {k: v for k, v in lists.items() if v and not any(isinstance(one, dict | list) for one in v)}
    for name, names in plain.items():
        others = [v for k, v in lists.items() if k != name and _is_matrix(v)]
        if len(others) == 1 and all(isinstance(one, str) for one in names) and len(names) == max(map(len, others[0])):
            return [list(names), *([as_text(cell) for cell in row] for row in others[0])]
    if len(plain) > 1 and len(plain) == len(node) and len({len(v) for v in plain.values()}) == 1:
        return [list(plain), *([as_text(cell) for cell in row] for row in zip(*plain.values(), strict=True))]
    return None


def _is_matrix(node: Any) -> bool:
    if not isinstance(node, list) or not node or not all(isinstance(row, list) and row for row in node):
        return False
    return not any(isinstance(cell, dict | list) for row in node for cell in row)


def _is_map(node: Mapping[str, Any]) -> bool:
    """Whether the names are numbers of things, not names of fields: `{"1001": {...}, "1002": {...}}`."""
    return len(node) >= _LEAST_KEYS and _has_numbers(node)


def _has_numbers(node: Mapping[str, Any]) -> bool:
    named = all(any(c.isdigit() for c in key) for key in node)
    return named and all(isinstance(value, dict) or is_nested(value) for value in node.values())


def _maps_of(tree: Any) -> Set[tuple[str, ...]]:
    """The places whose names are numbers of things in all records together, though one record may have a single one:
    `"teeth": {"14": [...]}` of one patient and `"teeth": {"3": [...], "19": [...], "30": [...]}` of another."""
    names: dict[tuple[str, ...], set[str]] = {}
    others: set[tuple[str, ...]] = set()
    left: list[tuple[Any, tuple[str, ...]]] = [(tree, ())]
    while left:
        node, path = left.pop()
        if isinstance(node, list):
            left += [(one, path) for one in node if isinstance(one, dict)]
            continue
        for key, inner in node.items():
            here = (*path, key.strip())
            if isinstance(inner, dict) and inner and len(here) <= _MOST_DEEP:
                names.setdefault(here, set()).update(inner)
                if not _has_numbers(inner):
                    others.add(here)
            if isinstance(inner, dict | list) and len(here) <= _MOST_DEEP:
                left.append((inner, here))
    return {path for path, of in names.items() if len(of) >= _LEAST_KEYS and path not in others}


def _named_around(name: str, path: tuple[str, ...]) -> str:
    """What a field of a record around is called: `patient.id`, and `patientId` as it is."""
    if not path or name.lower().startswith(_one(path).lower()):
        return name
    return f"{_one(path)}.{name}"


def _one(path: tuple[str, ...]) -> str:
    """The name of one of a list: without the s of the plural."""
    name = next((part for part in reversed(path)), ALONE)
    return name[:-1] if len(name) > 2 and name.endswith("s") and not name.endswith("ss") else name


# Records that stand alone where others of their kind stand in lists: of a patient with several crowns and one
# extraction, both with a day, a code and a tooth, the extraction is a record too and no field of the patient. Told from
# the whole tree: by the names of fields that a lone record and a list beside it, or two lone records, share.
Place = tuple[str, ...]
_MOST_BESIDE = 60  # more names than these beside each other are no names of kinds of records
_LIKE_A_LIST, _LIKE_EACH_OTHER = 2, 3  # names of fields in common
_SHARE = 2 / 3


def with_lone_records(tree: Any) -> Any:
    """The tree with every such record as a list of one."""
    names: dict[Place, set[str]] = defaultdict(set)
    listed: set[Place] = set()
    lone: set[Place] = set()
    for path, record, in_list in _records(tree, (), 0):
        names[path].update(key for key, value in record.items() if not isinstance(value, dict | list))
        (listed if in_list else lone).add(path)
    beside: dict[Place, list[Place]] = defaultdict(list)
    for path in sorted(names):
        beside[path[:-1]].append(path)
    found = {
        p
        for p in lone
        if len(beside[p[:-1]]) <= _MOST_BESIDE and any(_alike(p, q, names, listed) for q in beside[p[:-1]])
    } | (lone & listed)
    return _wrapped(tree, (), found, 0) if found else tree


def _alike(one: Place, other: Place, names: dict[Place, set[str]], listed: set[Place]) -> bool:
    if one == other:
        return False
    both = len(names[one] & names[other])
    least = _LIKE_A_LIST if other in listed else _LIKE_EACH_OTHER
    return both >= least and both >= _SHARE * min(len(names[one]), len(names[other]))


def _records(node: Any, path: Place, depth: int) -> Iterator[tuple[Place, dict[str, Any], bool]]:
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


def _wrapped(node: Any, path: Place, found: set[Place], depth: int) -> Any:
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


_LOOK_AT = 200


def holds_tables(path: Path) -> bool:
    """Whether a file of JSON is more than a list of plain records: what such a file begins with tells. Raises DataError
    as `read_records` does."""
    first = next(read_records(path), [])
    records = [parsed(text) for _, text in first[:_LOOK_AT]]
    if any(isinstance(r, dict) and "resourceType" in r for r in records):
        return False
    alone = len(first) == 1 and isinstance(records[0], dict)
    lists = alone and any(isinstance(value, list | dict) and value for value in records[0].values())
    return lists or any(map(is_nested, records)) or (bool(records) and all(isinstance(r, list) for r in records))


def open_nested(path: Path) -> FoundTables:
    """The tables of such a file. Raises DataError if it is no JSON, holds no table, or is too large."""
    tree = whole_json(path)
    tables = tables_of(tree, file=path.name)
    if not tables:
        raise DataError(f"{path.name}: no list of records is in it, so it holds no table. Export it as CSV.")
    loaders = {name: (lambda rows=rows: rows) for name, rows in tables.items()}
    return FoundTables(path, loaders, "records of JSON")
