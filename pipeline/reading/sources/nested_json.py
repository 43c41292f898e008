"""JSON whose records stand within records, or whose table is kept by its columns: tables by their paths."""

import json
from pathlib import Path
from typing import Any

from pipeline.machine.errors import DataError
from pipeline.reading.sources.found_tables import FoundTables
from pipeline.reading.sources.json_records import read_records, whole_json
from pipeline.reading.sources.nested_records import is_nested, tables_of

_LOOK_AT = 200


def holds_tables(path: Path) -> bool:
    """Whether a file of JSON is more than a list of plain records: what such a file begins with tells. Raises DataError
    as `read_records` does."""
    first = next(read_records(path), [])
    records = [_parsed(text) for _, text in first[:_LOOK_AT]]
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


def _parsed(text: bytes) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None
