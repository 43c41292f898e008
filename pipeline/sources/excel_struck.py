"""Rows of a workbook with cells that are struck through: a hand's way to take a row back.

The reader of workbooks gives no formats. So the parts of the file are looked at here, and only where its styles or its
texts know such letters at all; of kinds other than .xlsx and .xlsm nothing is known.
"""

from __future__ import annotations

import functools
import re
import zipfile
import zlib
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import IO

from pipeline.sources.excel_safety import CHECKED_KINDS
from pipeline.sources.safe_path import Key, key_of
from pipeline.sources.struck import row_is

_STRIKE = re.compile(rb"<(?:\w+:)?strike\b(?![^>]*\bval=[\"'](?:0|false)[\"'])[^>]*>")
_FONTS = re.compile(rb"<(?:\w+:)?fonts\b.*?</(?:\w+:)?fonts>", re.DOTALL)
_FONT = re.compile(rb"<(?:\w+:)?font(?:\s[^>]*)?/>|<(?:\w+:)?font(?:\s[^>]*)?>.*?</(?:\w+:)?font>", re.DOTALL)
_FORMATS = re.compile(rb"<(?:\w+:)?cellXfs\b.*?</(?:\w+:)?cellXfs>", re.DOTALL)
_FORMAT = re.compile(rb"<(?:\w+:)?xf\b([^>]*)>")
_TEXT = re.compile(rb"<(?:\w+:)?si\b[^>]*?(?:/>|>(.*?)</(?:\w+:)?si>)", re.DOTALL)
_CELL = re.compile(rb"<(?:\w+:)?c\b([^>]*?)(?:/>|>(.*?)</(?:\w+:)?c>)", re.DOTALL)
_VALUE = re.compile(rb"<(?:\w+:)?v>(\d+)</")
_SHEET = re.compile(rb"<(?:\w+:)?sheet\b([^>]*?)/?>")
_LINK = re.compile(rb"<(?:\w+:)?Relationship\b([^>]*?)/?>")
_CHUNK = 1 << 20
_LONGEST_ROW = 1 << 26


def struck_in_workbook(path: Path) -> dict[str, dict[int, str]]:
    """By sheet, the rows from 1 with cells that are struck through: see `pipeline.sources.struck`.

    The workbook has been looked at before: see `check_workbook`.
    """
    return _struck(key_of(path), path) if path.suffix.lower() in CHECKED_KINDS else {}


@functools.lru_cache(maxsize=64)  # a workbook is opened once a table and, by `suggest`, once a sheet
def _struck(_: Key, path: Path) -> dict[str, dict[int, str]]:
    try:
        with zipfile.ZipFile(path) as packed:
            formats, texts = _formats(_part(packed, "xl/styles.xml")), _texts(_part(packed, "xl/sharedStrings.xml"))
            if not formats and not texts:
                return {}
            found = {}
            for name, part in _sheets(packed):
                with packed.open(part) as stream:
                    rows = _rows(stream, formats, texts)
                if rows:
                    found[name] = rows
            return found
    except (zipfile.BadZipFile, KeyError, OSError, zlib.error, EOFError):
        return {}  # the reader of workbooks says what is wrong


def _part(packed: zipfile.ZipFile, name: str) -> bytes:
    return packed.read(name) if name in packed.namelist() else b""


def _formats(styles: bytes) -> set[int]:
    """The numbers of the cell formats whose font is struck through."""
    if not _STRIKE.search(styles) or not (fonts := _FONTS.search(styles)) or not (formats := _FORMATS.search(styles)):
        return set()
    struck = {n for n, font in enumerate(_FONT.findall(fonts[0])) if _STRIKE.search(font)}
    return {n for n, told in enumerate(_FORMAT.findall(formats[0])) if int(_attribute(told, b"fontId") or 0) in struck}


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


def _rows(stream: IO[bytes], formats: set[int], texts: set[int]) -> dict[int, str]:
    found = {}
    maybe = _any_of(formats, texts)
    for row in _rows_of(stream):
        if not maybe.search(row):
            continue
        number, filled, struck = 0, 0, 0
        for told, inner in _CELL.findall(row):
            if not inner:
                continue
            number = int(re.sub(r"\D", "", _attribute(told, b"r")) or 0)
            filled += 1
            is_text = _attribute(told, b"t") == "s" and (value := _VALUE.search(inner)) and int(value[1]) in texts
            struck += bool(is_text or int(_attribute(told, b"s") or 0) in formats or _STRIKE.search(inner))
        if struck:
            found[number] = row_is(struck, filled=filled)
    return found


def _any_of(formats: set[int], texts: set[int]) -> re.Pattern[bytes]:
    """What the rows that matter hold: nearly all others are passed by."""
    styles = "|".join(map(str, sorted(formats))) or "-"
    shared = "|".join(map(str, sorted(texts))) or "-"
    return re.compile(rf"\ss=[\"'](?:{styles})[\"']|v>(?:{shared})</|strike\b".encode())


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
