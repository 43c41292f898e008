"""Rows of a workbook that are struck through, hidden, in italics or of a colour: a hand's way to take a row back.

The reader of workbooks gives no formats, so the parts of the file are looked at here: of .xlsx, .xlsm and OpenDocument
(.ods; of its styles those count that cells name themselves; OpenDocument 1.2 part 1, from memory). Of other kinds
nothing is known. A colour is a row's own: stripes, and one colour for all, say nothing.
"""

import functools
import posixpath
import re
import zipfile
import zlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from html import unescape
from pathlib import Path
from typing import IO, Any, TypeVar
from xml.parsers import expat

from pipeline.reading.sources.excel_safety import CHECKED_KINDS
from pipeline.reading.sources.row_looks import (
    COMMENT,
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
from pipeline.reading.sources.standing_names import COMPLETED, named

_STRIKE = re.compile(rb"<(?:\w+:)?strike\b(?![^>]*\bval=[\"'](?:0|false)[\"'])[^>]*>")
_SLANTED = re.compile(rb"<(?:\w+:)?i\b(?![^>]*\bval=[\"'](?:0|false)[\"'])[^>]*>")
_FONTS = re.compile(rb"<(?:\w+:)?fonts\b.*?</(?:\w+:)?fonts>", re.DOTALL)
_FONT = re.compile(rb"<(?:\w+:)?font(?:\s[^>]*)?/>|<(?:\w+:)?font(?:\s[^>]*)?>.*?</(?:\w+:)?font>", re.DOTALL)
_FILLS = re.compile(rb"<(?:\w+:)?fills\b.*?</(?:\w+:)?fills>", re.DOTALL)
_FILL = re.compile(rb"<(?:\w+:)?fill(?:\s[^>]*)?/>|<(?:\w+:)?fill(?:\s[^>]*)?>.*?</(?:\w+:)?fill>", re.DOTALL)
_PATTERN = re.compile(rb"<(?:\w+:)?patternFill\b([^>]*)>")
_FILL_COLOUR = re.compile(rb"<(?:\w+:)?fgColor\b([^>]*)>")
_FONT_COLOUR = re.compile(rb"<(?:\w+:)?color\b([^>]*)>")
_FORMATS = re.compile(rb"<(?:\w+:)?cellXfs\b.*?</(?:\w+:)?cellXfs>", re.DOTALL)
_FORMAT = re.compile(rb"<(?:\w+:)?xf\b([^>]*)>")
_TEXT = re.compile(rb"<(?:\w+:)?si\b[^>]*?(?:/>|>(.*?)</(?:\w+:)?si>)", re.DOTALL)
_ROW = re.compile(rb"<(?:\w+:)?row\b([^>]*)>")
_CELL = re.compile(rb"<(?:\w+:)?c\b([^>]*?)(?:/>|>(.*?)</(?:\w+:)?c>)", re.DOTALL)
_VALUE = re.compile(rb"<(?:\w+:)?v>(\d+)</")
_SHEET = re.compile(rb"<(?:\w+:)?sheet\b([^>]*?)/?>")
_LINK = re.compile(rb"<(?:\w+:)?Relationship\b([^>]*?)/?>")
_COMMENT = re.compile(rb"<(?:\w+:)?comment\b([^>]*)>(.*?)</(?:\w+:)?comment>", re.DOTALL)
_LETTERS = re.compile(rb"<(?:\w+:)?t\b[^>]*>([^<]*)</")
_LONGEST_WORD = 16
_YES = ("1", "true")
# The first colours of the palette that old workbooks name by number (ECMA-376 part 1, 18.8.27; from memory).
_FIRST = ("000000", "FFFFFF", "FF0000", "00FF00", "0000FF", "FFFF00", "FF00FF", "00FFFF")
_PALETTE = dict(zip(map(str, range(16)), (*_FIRST, *_FIRST), strict=True))
_PALETTE |= {"22": "C0C0C0", "23": "808080", "55": "969696"}
_AUTOMATIC = 64
T = TypeVar("T")
_CHUNK = 1 << 20
_LONGEST_ROW = 1 << 26


def looks_in_workbook(path: Path) -> dict[str, dict[str, dict[int, str]]]:
    """By look and sheet, what the rows from 1 are that have it: see `pipeline.reading.sources.row_looks`. The workbook
    has been looked at before: see `check_workbook`."""
    return _looks(key_of(path), path) if path.suffix.lower() in CHECKED_KINDS else {}


@functools.lru_cache(maxsize=64)  # a workbook is opened once a table and, by `suggest`, once a sheet
def _looks(_: Key, path: Path) -> dict[str, dict[str, dict[int, str]]]:
    found: dict[str, dict[str, dict[int, str]]] = {}
    try:
        with zipfile.ZipFile(path) as packed:
            formats, texts = _formats(_part(packed, "xl/styles.xml")), _texts(_part(packed, "xl/sharedStrings.xml"))
            for name, part in _sheets(packed):
                with packed.open(part) as stream:
                    for look, rows in _rows(stream, formats, texts).items():
                        found.setdefault(look, {})[name] = rows
                if comments := _comments(packed, part):
                    found.setdefault(COMMENT, {})[name] = comments
            return found
    except (zipfile.BadZipFile, KeyError, OSError, zlib.error, EOFError):
        return {}  # the reader of workbooks says what is wrong


def _part(packed: zipfile.ZipFile, name: str) -> bytes:
    return packed.read(name) if name in packed.namelist() else b""


def _comments(packed: zipfile.ZipFile, part: str) -> dict[int, str]:
    """By row what comments on its cells say of whether it stands: the word, for the rest may be anyone's."""
    folder, _, name = part.rpartition("/")
    found: dict[int, str] = {}
    for told in _LINK.findall(_part(packed, f"{folder}/_rels/{name}.rels")):
        if _attribute(told, b"Type").endswith("/comments"):
            target = posixpath.normpath(posixpath.join(folder, _attribute(told, b"Target"))).lstrip("/")
            for of, inner in _COMMENT.findall(_part(packed, target)):
                text = unescape(b" ".join(_LETTERS.findall(inner)).decode(errors="replace"))
                said, row = named(text), re.sub(r"\D", "", _attribute(of, b"ref"))
                if row and said.words and said.word != COMPLETED:
                    found[int(row)] = said.pattern.strip("*").lower()[:_LONGEST_WORD]
    return found


def _formats(styles: bytes) -> dict[int, dict[str, str]]:
    """The looks of the cell formats that have any, by their numbers."""
    if not (formats := _FORMATS.search(styles)):
        return {}
    fonts, fills = (
        [_of_font(font) for font in _FONT.findall(found[0])] if (found := _FONTS.search(styles)) else [],
        [_of_fill(fill) for fill in _FILL.findall(found[0])] if (found := _FILLS.search(styles)) else [],
    )
    looks = {}
    for n, told in enumerate(_FORMAT.findall(formats[0])):
        of_font, letters = _at(fonts, _attribute(told, b"fontId"), ({}, ""))
        if look := colour_look(_at(fills, _attribute(told, b"fillId"), ""), letters) | of_font:
            looks[n] = look
    return looks


def _at(found: Sequence[T], number: str, default: T) -> T:
    return found[int(number)] if number.isdigit() and int(number) < len(found) else default


def _of_font(font: bytes) -> tuple[dict[str, str], str]:
    """Whether letters are struck through or in italics, and their colour."""
    told = _FONT_COLOUR.search(font)
    look = {column: WHOLE_ROW for column, of in ((STRUCK, _STRIKE), (ITALIC, _SLANTED)) if of.search(font)}
    return look, _colour(told[1], is_text=True) if told else ""


def _of_fill(fill: bytes) -> str:
    pattern, told = _PATTERN.search(fill), _FILL_COLOUR.search(fill)
    is_solid = pattern is not None and _attribute(pattern[1], b"patternType") not in ("", "none", "gray125")
    return _colour(told[1], is_text=False) if is_solid and told else ""


def _colour(told: bytes, *, is_text: bool) -> str:
    """The name of a colour: by its numbers, or by its place in a palette or in the theme of the workbook."""
    if rgb := _attribute(told, b"rgb"):
        return colour_name(rgb[-6:], is_text=is_text)
    if theme := _attribute(told, b"theme"):
        if theme in ("0", "1"):  # the paper and the letters; darker or lighter they are grey
            return "grey" if _attribute(told, b"tint").strip("-0.") else ""
        return f"theme colour {theme}"
    indexed = _attribute(told, b"indexed")
    if indexed in _PALETTE:
        return colour_name(_PALETTE[indexed], is_text=is_text)
    return f"colour {indexed}" if indexed.isdigit() and int(indexed) < _AUTOMATIC else ""


def _texts(shared: bytes) -> set[int]:
    """The numbers of the shared texts of which letters are struck through."""
    if not _STRIKE.search(shared):
        return set()
    return {n for n, text in enumerate(_TEXT.findall(shared)) if _STRIKE.search(text)}


def _sheets(packed: zipfile.ZipFile) -> Iterator[tuple[str, str]]:
    """The name of each sheet, and of the part that holds it."""
    links = {}
    for told in _LINK.findall(_part(packed, "xl/_rels/workbook.xml.rels")):
        target = _attribute(told, b"Target")
        links[_attribute(told, b"Id")] = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
    for told in _SHEET.findall(_part(packed, "xl/workbook.xml")):
        part = links.get(_attribute(told, rb"\w+:id"), "")
        if part in packed.namelist():
            yield unescape(_attribute(told, b"name")), part


def _rows(stream: IO[bytes], formats: Mapping[int, Mapping[str, str]], texts: set[int]) -> dict[str, dict[int, str]]:
    found: dict[str, dict[int, str]] = {}
    maybe, last = _any_of(formats, texts), 0
    for row in _rows_of(stream):
        told = row_told[-1] if (row_told := _ROW.findall(row)) else b""
        last = int(number) if (number := _attribute(told, b"r")).isdigit() else last + bool(told)
        if not maybe.search(row):
            continue
        is_hidden = _attribute(told, b"hidden") in _YES
        looks: list[Mapping[str, str]] = []
        for told_of_cell, inner in _CELL.findall(row):
            if not inner:
                continue
            is_text = _attribute(told_of_cell, b"t") == "s"
            value = _VALUE.search(inner) if is_text and texts else None
            look = dict(formats.get(int(_attribute(told_of_cell, b"s") or 0), {}))
            if (value and int(value[1]) in texts) or _STRIKE.search(inner):
                look[STRUCK] = WHOLE_ROW
            looks.append({**look, HIDDEN: WHOLE_ROW} if is_hidden else look)
        for column, what in row_looks(looks, filled=len(looks)).items():
            found.setdefault(column, {})[last] = what
    return {column: rows for column, rows in found.items() if not is_decoration(column, rows, last)}


def _any_of(formats: Collection[int], texts: set[int]) -> re.Pattern[bytes]:
    """What the rows that matter hold: nearly all others are passed by."""
    styles = "|".join(map(str, sorted(formats))) or "-"
    shared = "|".join(map(str, sorted(texts))) or "-"
    return re.compile(rf"\ss=[\"'](?:{styles})[\"']|v>(?:{shared})</|strike\b|\shidden=[\"'](?:1|true)".encode())


def _rows_of(stream: IO[bytes]) -> Iterator[bytes]:
    tail = b""
    while piece := stream.read(_CHUNK):
        *rows, tail = (tail + piece).split(b"row>")
        yield from rows
        if len(tail) > _LONGEST_ROW:
            tail = b""
    yield tail


def _attribute(told: bytes, name: bytes) -> str:
    found = re.search(rb"(?:^|\s)" + name + rb"=[\"']([^\"']*)[\"']", told)
    return found[1].decode(errors="replace") if found else ""


_CONTENT = "content.xml"
_MOST_REPEATED = 10_000  # filled rows that are alike


def looks_in_open_document(path: Path) -> dict[str, dict[str, dict[int, str]]]:
    """By look and sheet, what the rows from 1 are that have it. The file has been looked at before."""
    return _of_document(key_of(path), path)


@functools.lru_cache(maxsize=64)
def _of_document(_: Key, path: Path) -> dict[str, dict[str, dict[int, str]]]:
    reader = _Document()
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


class _Document:
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
