"""Records as elements of XML: an element that stands again and again is a record, what is in it are its fields."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.machine.errors import DataError
from pipeline.reading.sources.found_tables import FoundTables
from pipeline.reading.sources.nested_records import tables_of
from pipeline.reading.sources.xml_safety import read_xml

_LEAST_NAMED = 3
_NAMING = {"name", "field", "column", "key"}
_NOT_NAMING = {"nil", "null", "isnull", "type"}  # of an element without a value, or of what kind it is


@dataclass
class _Element:
    told: dict[str, str]
    inner: dict[str, list[_Element]] = field(default_factory=dict)
    text: list[str] = field(default_factory=list)


def open_xml_records(path: Path) -> FoundTables:
    """The lists of records of a file, each a table named by the elements around it. Raises DataError if it is no whole
    XML, has no records, or is too large."""
    root = _Element({})
    open_ones = [root]

    def start(name: str, told: dict[str, str]) -> None:
        element = _Element(told)
        open_ones[-1].inner.setdefault(name, []).append(element)
        open_ones.append(element)

    def end(_: str) -> None:
        open_ones.pop()

    def text(data: str) -> None:
        open_ones[-1].text.append(data)

    read_xml(path, start=start, end=end, text=text)
    several: set[tuple[str, ...]] = set()
    _find_several([root], (), several)
    _fill_flags([root])
    top = next(iter(root.inner))
    tables = tables_of(_plain(root.inner[top][0], (top,), several), file=path.name)
    if not tables:
        raise DataError(f"{path.name}: no element of this XML stands again and again, so it holds no table of rows.")
    loaders = {name: (lambda rows=rows: rows) for name, rows in tables.items()}
    return FoundTables(path, loaders, "records written as XML")


def _find_several(elements: list[_Element], path: tuple[str, ...], into: set[tuple[str, ...]]) -> None:
    """Paths of the elements that stand several times in one, wherever that is."""
    inner: dict[str, list[_Element]] = {}
    for element in elements:
        for name, found in element.inner.items():
            inner.setdefault(name, []).extend(found)
            if len(found) > 1:
                into.add((*path, name))
    for name, found in inner.items():
        _find_several(found, (*path, name), into)


def _fill_flags(elements: list[_Element]) -> None:
    """Give `yes` to elements that never hold anything, and that some records have and others have not: `<void/>`."""
    inner: dict[str, list[_Element]] = {}
    for element in elements:
        for name, found in element.inner.items():
            inner.setdefault(name, []).extend(found)
    for found in inner.values():
        if len(found) < len(elements) and not any(e.inner or e.told or "".join(e.text).strip() for e in found):
            for element in found:
                element.text.append("yes")
        _fill_flags(found)


def _named_fields(element: _Element) -> dict[str, str | None] | None:
    """The fields of a record whose elements are all called alike and say their name: `<field name="Date">`."""
    inner = next(iter(element.inner.values()), []) if len(element.inner) == 1 else []
    told = [{k: v for k, v in one.told.items() if k.lower().rpartition(":")[2] not in _NOT_NAMING} for one in inner]
    names = [next(iter(of.values()), "") for of, one in zip(told, inner, strict=True) if len(of) == 1 and not one.inner]
    keys = {key.lower() for of in told for key in of}
    if len(names) < _LEAST_NAMED or len(names) < len(inner) or len(set(names)) < len(names) or not keys <= _NAMING:
        return None
    return {name: "".join(one.text).strip() or None for name, one in zip(names, inner, strict=True)}


def _plain(element: _Element, path: tuple[str, ...], several: set[tuple[str, ...]]) -> Any:
    """An element as a record or, where it holds nothing but text, as that."""
    text = "".join(element.text).strip()
    if not element.inner and not element.told:
        return text or None
    if (fields := _named_fields(element)) is not None:
        return dict(element.told) | fields
    made: dict[str, Any] = dict(element.told)
    for name, found in element.inner.items():
        here = (*path, name)
        values = [_plain(one, here, several) for one in found]
        key = name if name not in made else f"{name} (2)"
        made[key] = values if here in several else values[0]
    if text and not element.inner:
        made["value"] = text
    return made
