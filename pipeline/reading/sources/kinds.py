"""What kind of file a file is, by what it begins with: a name may say anything."""

import codecs
import functools
import re
import zipfile
from pathlib import Path

from pipeline.machine.errors import DataError
from pipeline.reading.sources.safe_path import Key, cannot_open, key_of
from pipeline.reading.sources.sqlite_tables import MAGIC
from pipeline.reading.sources.xml_files import SCHEMA

WORKBOOK, ARCHIVE, WEB_PAGE = "workbook", "archive", "web page"
XML_SHEETS, XML, DATABASE, DUMP = "XML spreadsheet", "XML", "database", "dump"
JSON, TEXT, OTHER = "JSON", "text", "other"
_START = 8192
_ZIP, _NO_ZIP, _OLE = b"PK\x03\x04", b"PK\x05\x06", b"\xd0\xcf\x11\xe0"
_PAGE = re.compile(r"<(?:!doctype\s+html|html|head|meta|body|table|style)\b", re.IGNORECASE)
# A part of a page, as a copied one is.
_PART = re.compile(r"<(?:h[1-6]|div|p|center|details|section|main|article|form|font|b|span|ul)\b", re.IGNORECASE)
# A page that a browser saved with its pictures in one file, as a letter with parts.
_SAVED_PAGE = re.compile(r"(?:[\w-]+:[^\n]*\n(?:[ \t][^\n]*\n)*)*?mime-version\s*:", re.IGNORECASE)
_STATEMENT = re.compile(
    r"(?:\s+|--[^\n]*\n|/\*.*?\*/;?|(?:set|begin|start|use|pragma|drop|lock|select|alter)\b[^;]*;)*"
    r"(?:create\s+(?:\w+\s+){0,2}table|insert\s+into|copy\s+\S+\s*\()",
    re.IGNORECASE | re.DOTALL,
)
# An object or a list of objects or lists; a heading in brackets is neither.
_OBJECTS = re.compile(r"\{\s*[\"}]|\[\s*[\[{]")
_DOCUMENT = "WordDocument".encode("utf-16-le")


def kind_of(path: Path) -> str:
    """The kind of a file; `TEXT` for any other text, `OTHER` for what is none of these and no text. Raises DataError if
    it is a document of a word processor, or cannot be opened."""
    return _kind_of(key_of(path), path)


@functools.cache  # asked for by several steps of a command; of some files all must be read to know it
def _kind_of(_: Key, path: Path) -> str:
    try:
        with path.open("rb") as stream:
            start = stream.read(_START)
            if start.startswith(_OLE) and _DOCUMENT in start + stream.read():
                raise _document(path)
    except OSError as error:
        raise cannot_open(path) from error
    if start.startswith((_ZIP, _NO_ZIP)):
        return _packed(path)
    if start.startswith(_OLE):
        return WORKBOOK
    if start.startswith(MAGIC):
        return DATABASE
    text = _text(start)
    return OTHER if text is None else _written(text.lstrip(), path.suffix.lower())


def _written(text: str, ending: str) -> str:
    low = text.lower()
    if text.startswith("<") and (_PAGE.match(text) or "<html" in low[:1024] or (_PART.match(text) and "<table" in low)):
        return WEB_PAGE
    if _SAVED_PAGE.match(text) and "text/html" in low:
        return WEB_PAGE
    if text.startswith("<") and SCHEMA in text[:4096]:
        return XML_SHEETS
    if text.startswith("<?xml") or (text.startswith("<") and ending in (".xml", ".xls")):
        return XML
    if ending == ".sql" or _STATEMENT.match(text):
        return DUMP
    return JSON if _OBJECTS.match(text) else TEXT


def _packed(path: Path) -> str:
    try:
        with zipfile.ZipFile(path) as packed:
            names = set(packed.namelist())
    except (zipfile.BadZipFile, OSError, ValueError):
        return WORKBOOK if path.suffix.lower() != ".zip" else ARCHIVE
    if any(name.startswith("word/") for name in names):
        raise _document(path)
    # The parts of a workbook; of an open document the text stands in content.xml beside its kind.
    is_workbook = any(name.startswith("xl/") for name in names) or {"content.xml", "mimetype"} <= names
    return WORKBOOK if is_workbook or path.suffix.lower() in (".xlsx", ".xlsm", ".xlsb", ".ods") else ARCHIVE


def _text(start: bytes) -> str | None:
    """The first letters of a text; None if it is none."""
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return start[: len(start) // 2 * 2].decode("utf-16", errors="replace")
    if b"\0" in start:
        return None
    return start.removeprefix(codecs.BOM_UTF8).decode("latin-1")


def _document(path: Path) -> DataError:
    return DataError(
        f"{path.name}: this is a document of a word processor, not a table. Export the data as CSV or a workbook from "
        "the program that the document was made with."
    )
