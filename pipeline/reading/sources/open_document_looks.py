"""Rows of an OpenDocument spreadsheet (.ods) that are struck through, hidden, in italics or of a colour.

Of the styles of the document those count that its cells name themselves (OpenDocument 1.2 part 1, from memory);
see `row_looks.py`.
"""

import functools
import zipfile
import zlib
from pathlib import Path
from typing import Any
from xml.parsers import expat

from pipeline.reading.sources.row_looks import (
    HIDDEN,
    ITALIC,
    STRUCK,
    WHOLE_ROW,
    colour_look,
    colour_name,
    is_decoration,
    row_looks,
)
from pipeline.reading.sources.safe_path import Key, key_of

_CONTENT = "content.xml"
_CHUNK = 1 << 20
_MOST_REPEATED = 10_000  # filled rows that are alike


def looks_in_open_document(path: Path) -> dict[str, dict[str, dict[int, str]]]:
    """By look and sheet, what the rows from 1 are that have it. The file has been looked at before."""
    return _looks(key_of(path), path)


@functools.lru_cache(maxsize=64)
def _looks(_: Key, path: Path) -> dict[str, dict[str, dict[int, str]]]:
    reader = _Reader()
    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = reader.start, reader.end
    parser.CharacterDataHandler = reader.text
    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = _refused
    try:
        with zipfile.ZipFile(path) as packed, packed.open(_CONTENT) as stream:
            while piece := stream.read(_CHUNK):
                parser.Parse(piece, False)
            parser.Parse(b"", True)
    except (zipfile.BadZipFile, KeyError, OSError, zlib.error, EOFError, expat.ExpatError, ValueError):
        return {}  # the reader of workbooks says what is wrong
    return reader.found


def _refused(*_: Any) -> None:
    raise ValueError("entities are declared")


class _Reader:
    def __init__(self) -> None:
        self.found: dict[str, dict[str, dict[int, str]]] = {}
        self._styles: dict[str, dict[str, str]] = {}
        self._style: str | None = None
        self._sheet: str | None = None
        self._rows: dict[str, dict[int, str]] = {}
        self._row = 0
        self._repeated = 1
        self._is_hidden = False
        self._default = ""
        self._cells: list[dict[str, str]] = []
        self._cell: dict[str, str] | None = None
        self._is_filled = False

    def start(self, name: str, told: dict[str, str]) -> None:
        if name == "style:style":
            self._style = told.get("style:name")
        elif name in ("style:text-properties", "style:table-cell-properties") and self._style is not None:
            self._styles[self._style] = self._styles.get(self._style, {}) | _look(told)
        elif name == "table:table":
            self._sheet, self._rows, self._row = told.get("table:name", ""), {}, 0
        elif name == "table:table-row" and self._sheet is not None:
            self._repeated = _number(told.get("table:number-rows-repeated"))
            self._is_hidden = told.get("table:visibility") in ("collapse", "filter")
            self._default, self._cells = told.get("table:default-cell-style-name", ""), []
        elif name == "table:table-cell":
            self._cell = dict(self._styles.get(told.get("table:style-name", self._default), {}))
            self._is_filled = False
        elif name == "text:span" and self._cell is not None:
            self._cell |= self._styles.get(told.get("text:style-name", ""), {})

    def text(self, data: str) -> None:
        if self._cell is not None and data.strip():
            self._is_filled = True

    def end(self, name: str) -> None:
        if name == "style:style":
            self._style = None
        elif name == "table:table-cell" and self._cell is not None:
            if self._is_filled:
                self._cells.append(self._cell | ({HIDDEN: WHOLE_ROW} if self._is_hidden else {}))
            self._cell = None
        elif name == "table:table-row" and self._sheet is not None:
            for look, what in row_looks(self._cells, filled=len(self._cells)).items() if self._cells else ():
                for n in range(1, min(self._repeated, _MOST_REPEATED) + 1):
                    self._rows.setdefault(look, {})[self._row + n] = what
            self._row += self._repeated
        elif name == "table:table" and self._sheet is not None:
            for look, rows in self._rows.items():
                if not is_decoration(look, rows, max(max(of) for of in self._rows.values())):
                    self.found.setdefault(look, {})[self._sheet] = rows
            self._sheet = None


def _look(told: dict[str, str]) -> dict[str, str]:
    look = colour_look(
        colour_name(told.get("fo:background-color", "")), colour_name(told.get("fo:color", ""), is_text=True)
    )
    line = told.get("style:text-line-through-style") or told.get("style:text-line-through-type") or "none"
    look |= {ITALIC: WHOLE_ROW} if told.get("fo:font-style") in ("italic", "oblique") else {}
    return look | ({STRUCK: WHOLE_ROW} if line != "none" else {})


def _number(told: str | None) -> int:
    return int(told) if told and told.isdecimal() and len(told) < 10 else 1
