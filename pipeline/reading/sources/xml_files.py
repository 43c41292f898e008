"""Files of XML: spreadsheets by the public schema of 2003, and records as elements that stand again and again.

XML is read as it stands: no document types, no entities of its own, nothing fetched, bounded in depth and size.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.parsers import expat

from pipeline.machine.errors import DataError
from pipeline.reading.sources.excel_safety import MAX_COLUMNS
from pipeline.reading.sources.found_tables import FoundTables, SpanRows, by_look, read_whole
from pipeline.reading.sources.nested_records import tables_of
from pipeline.reading.sources.row_looks import (
    HIDDEN,
    ITALIC,
    STRUCK,
    WHOLE_ROW,
    colour_look,
    colour_name,
    marked,
    unmarked,
)

SCHEMA = "urn:schemas-microsoft-com:office:spreadsheet"
_MOMENT = re.compile(r"^(\d{4}-\d{2}-\d{2})T(\d{2}:\d{2}:\d{2})(?:\.\d+)?$")


def open_xml_sheets(path: Path) -> FoundTables:
    """The worksheets of the file. Raises DataError if it is no whole XML, has no worksheet, or is too large."""
    reader = _Sheets(path.name)
    read_xml(path, start=reader.start, end=reader.end, text=reader.text)
    if not reader.sheets:
        raise DataError(f"{path.name}: this spreadsheet has no worksheet. Export it again.")
    named = {name: unmarked(sheet.rows) for name, sheet in reader.sheets.items()}
    loaders = {name: (lambda rows=rows: rows) for name, (rows, _) in named.items()}
    looks = by_look({name: looks for name, (_, looks) in named.items()})
    return FoundTables(path, loaders, "a spreadsheet written as XML", looks=looks)


class _Sheets:
    def __init__(self, file: str) -> None:
        self.file = file
        self.sheets: dict[str, SpanRows] = {}
        self._sheet: SpanRows | None = None
        self._cell: dict[str, str] | None = None
        self._kind: str | None = None  # of the data that are open
        self._found = ""
        self._style = ""
        self._row: dict[str, str] = {}
        self._fonts: dict[str, dict[str, str]] = {}  # the styles whose letters are struck through or in italics
        self._fills: dict[str, str] = {}  # the colours of styles, and those of their letters
        self._letters: dict[str, str] = {}

    def start(self, name: str, told: dict[str, str]) -> None:
        if name == "Worksheet":
            self._sheet = SpanRows(self.file)
            title = told.get("Name", f"sheet {len(self.sheets) + 1}")
            while title in self.sheets:
                title += " (2)"
            self.sheets[title] = self._sheet
        elif name == "Style":
            self._style = told.get("ID", "")
        elif name == "Font" and self._sheet is None:
            self._letters[self._style] = colour_name(told.get("Color", ""), is_text=True)
            of_font = {STRUCK: "StrikeThrough", ITALIC: "Italic"}
            self._fonts[self._style] = {
                look: WHOLE_ROW for look, key in of_font.items() if told.get(key) in ("1", "true")
            }
        elif name == "Interior" and self._sheet is None and told.get("Pattern", "Solid") != "None":
            self._fills[self._style] = colour_name(told.get("Color", ""))
        elif self._sheet is None:
            return
        elif name == "Row":
            self._row = told
            if (index := _number(told.get("Index"))) > 1:
                self._sheet.skip_to(index)
            self._sheet.begin()
        elif name == "Cell":
            self._cell, self._found = told, ""
        elif name == "Data" and self._cell is not None:
            self._kind = told.get("Type", "String")

    def end(self, name: str) -> None:
        if self._sheet is None:
            return
        if name == "Data":
            if self._kind == "DateTime":
                self._found = _MOMENT.sub(r"\1 \2", self._found)
            elif self._kind == "Error":
                self._found = ""
            self._kind = None
        elif name == "Cell" and self._cell is not None:
            at = _number(self._cell.get("Index")) or None
            across, down = (_number(self._cell.get(key)) + 1 for key in ("MergeAcross", "MergeDown"))
            text = marked(self._found, self._looks(self._cell.get("StyleID") or self._row.get("StyleID") or ""))
            self._sheet.add(text, across=min(across, MAX_COLUMNS), down=down, at=at)
            self._cell = None
        elif name == "Row":
            self._sheet.end()
        elif name == "Worksheet":
            self._sheet = None

    def _looks(self, style: str) -> dict[str, str]:
        looks = colour_look(self._fills.get(style, ""), self._letters.get(style, ""))
        looks |= self._fonts.get(style, {})
        return looks | ({HIDDEN: WHOLE_ROW} if self._row.get("Hidden") in ("1", "true") else {})

    def text(self, data: str) -> None:
        if self._kind is not None:
            self._found += data


def _number(told: str | None) -> int:
    return int(told) if told and told.isdecimal() and len(told) < 10 else 0


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
    into |= {(*path, name) for element in elements for name, found in element.inner.items() if len(found) > 1}
    for name, found in _inner(elements).items():
        _find_several(found, (*path, name), into)


def _inner(elements: list[_Element]) -> dict[str, list[_Element]]:
    """The elements in all of these, by their names."""
    inner: dict[str, list[_Element]] = {}
    for name, found in (of for element in elements for of in element.inner.items()):
        inner.setdefault(name, []).extend(found)
    return inner


def _fill_flags(elements: list[_Element]) -> None:
    """Give `yes` to elements that never hold anything, and that some records have and others have not: `<void/>`."""
    for found in _inner(elements).values():
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


_MOST_DEEP = 100
_MOST_ELEMENTS = 5_000_000

Start = Callable[[str, dict[str, str]], None]


def read_xml(path: Path, *, start: Start, end: Callable[[str], None], text: Callable[[str], None]) -> None:
    """Read a file of XML, telling of each element and text; names come without the prefix of their namespace. Raises
    DataError if it is no whole XML, holds a document type (which may make a few bytes into very many), or is too
    large."""
    seen = depth = 0

    def started(name: str, attributes: dict[str, str]) -> None:
        nonlocal seen, depth
        seen, depth = seen + 1, depth + 1
        if seen > _MOST_ELEMENTS or depth > _MOST_DEEP:
            raise DataError(
                f"{path.name}: more than {_MOST_ELEMENTS // 1_000_000} million elements, or elements within elements "
                "too often. Export it as CSV, or in several files."
            )
        start(_local(name), {_local(k): v for k, v in attributes.items()})

    def ended(name: str) -> None:
        nonlocal depth
        depth -= 1
        end(_local(name))

    def refused(*_: object) -> None:
        raise DataError(
            f"{path.name}: this XML holds a document type or entities of its own, which no export needs and which can "
            "fill a memory. Export it without, or as CSV."
        )

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler, parser.EndElementHandler = started, ended
    parser.CharacterDataHandler = text
    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = refused
    content = read_whole(path)
    try:
        parser.Parse(content, True)
    except expat.ExpatError as error:
        raise DataError(
            f"{path.name}: line {error.lineno:,}: this is not whole XML ({expat.errors.messages[error.code]}). Was the "
            "file cut short? Export it again."
        ) from error
    except (ValueError, LookupError) as error:  # an encoding that the parser does not know
        raise DataError(f"{path.name}: the encoding that this XML names is not known. Export it as UTF-8.") from error


def _local(name: str) -> str:
    return name.rpartition(":")[2]
