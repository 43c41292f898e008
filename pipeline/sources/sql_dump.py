"""The rows that a dump of a database writes: `INSERT INTO ... VALUES (...)` and `COPY ... FROM stdin`; nothing is run.

Only plain values are read: texts, numbers, NULL, true and false. A dump that computes a value is refused with its line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import DataError
from pipeline.sources.found_tables import MAX_CELLS, FoundTables, read_whole, too_large

_NAME = r'(?:"(?:[^"]|"")+"|`(?:[^`]|``)+`|\[[^\]]+\]|[\w$]+)'
_TABLE = rf"(?P<table>{_NAME}(?:\s*\.\s*{_NAME})*)"
_INSERT = re.compile(
    rf"(?:INSERT(?:\s+IGNORE)?|REPLACE)\s+INTO\s+{_TABLE}\s*(?:\((?P<columns>[^()]*)\))?\s*VALUES\s*", re.I
)
_CREATE = re.compile(rf"CREATE\s+(?:\w+\s+){{0,2}}?TABLE\s+(?:IF\s+NOT\s+EXISTS\s+)?{_TABLE}\s*\(", re.I)
_COPY = re.compile(rf"COPY\s+{_TABLE}\s*(?:\((?P<columns>[^()]*)\))?\s*FROM\s+stdin[^;]*;[^\n]*\n", re.I)
_BETWEEN = re.compile(r"(?:\s+|--[^\n]*|#[^\n]*|/\*.*?\*/|;|\\[^\n]*|GO\b)+", re.S | re.I)
_STANDARD, _BACKSLASH = r"[^']*(?:''[^']*)*", r"[^'\\]*(?:(?:''|\\.)[^'\\]*)*"
_VALUE = (
    r"\s*(?:(?P<word>NULL|TRUE|FALSE|DEFAULT)\b|(?P<number>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)"
    r"|(?P<bytes>0x[0-9A-Fa-f]+|[xXbB]'[0-9A-Fa-f]*')|(?:[NnEe]|_\w+\s)?'(?P<text>{text})'(?:::[\w ]+)?)"
    r"\s*(?P<after>[,)])"
)
_ESCAPES = {"n": "\n", "t": "\t", "r": "\r", "0": "", "b": "", "Z": ""}
_REST = re.compile(r"""(?:[^;'"`]+|'[^']*(?:''[^']*)*'|"[^"]*"|`[^`]*`)*+;?""")
_NO_COLUMN = re.compile(r"(?:primary|unique|foreign|constraint|key|index|check|fulltext|exclude)\b", re.I)


def open_dump(path: Path) -> FoundTables:
    """The tables whose rows are in the dump.

    Raises
    ------
    DataError
        If it has no rows, or values that must be computed.
    """
    dump = _Dump(path.name, _decoded(read_whole(path)))
    dump.read()
    tables = {name: rows for name, rows in dump.tables.items() if rows}
    if not tables:
        raise DataError(
            f"{path.name}: this dump of a database makes tables and puts no rows into them, or not in a way that we "
            "can read. Export the table of procedures as CSV."
        )
    heads = {name: [dump.columns[name]] if dump.columns.get(name) else [] for name in tables}
    loaders = {name: (lambda name=name, rows=rows: [*heads[name], *rows]) for name, rows in tables.items()}
    return FoundTables(path, loaders, "a dump of a database")


def _decoded(content: bytes) -> str:
    try:
        return content.decode("utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("windows-1252", errors="replace")


class _Dump:
    def __init__(self, file: str, text: str) -> None:
        self.file, self.text = file, text
        self.tables: dict[str, list[list[str | None]]] = {}
        self.columns: dict[str, list[str]] = {}
        # In a dump with names in backticks a backslash in a text escapes what follows.
        self._escapes = re.search(r"INTO\s+`", text, re.I) is not None
        self._value = re.compile(_VALUE.format(text=_BACKSLASH if self._escapes else _STANDARD), re.I | re.S)
        self._cells = 0

    def read(self) -> None:
        """Go through the statements."""
        at, text = 0, self.text
        while at < len(text):
            if found := _BETWEEN.match(text, at):
                at = found.end()
            elif found := _INSERT.match(text, at):
                at = self._inserted(found)
            elif found := _COPY.match(text, at):
                at = self._copied(found)
            elif found := _CREATE.match(text, at):
                at = self._created(found)
            else:
                found = _REST.match(text, at)
                at = found.end() if found is not None and found.end() > at else at + 1

    def _inserted(self, found: re.Match[str]) -> int:
        rows = self._rows(found)
        at = found.end()
        while True:
            if self.text[at : at + 1] != "(":
                raise self._computed(at)
            row, at = self._row(at + 1)
            rows.append(row)
            self._count(row)
            more = re.compile(r"\s*,\s*(?=\()").match(self.text, at)
            if more is None:
                return at
            at = more.end()

    def _row(self, at: int) -> tuple[list[str | None], int]:
        row: list[str | None] = []
        while True:
            value = self._value.match(self.text, at)
            if value is None:
                raise self._computed(at)
            row.append(self._meant(value))
            at = value.end()
            if value["after"] == ")":
                return row, at

    def _meant(self, value: re.Match[str]) -> str | None:
        if value["text"] is not None:
            text = value["text"].replace("''", "'")
            return re.sub(r"\\(.)", lambda m: _ESCAPES.get(m[1], m[1]), text, flags=re.S) if self._escapes else text
        if value["word"] is not None:
            return value["word"].lower() if value["word"].upper() in ("TRUE", "FALSE") else None
        return value["number"]

    def _copied(self, found: re.Match[str]) -> int:
        rows = self._rows(found)
        end = self.text.find("\n\\.", found.end() - 1)
        end = len(self.text) if end < 0 else end
        for line in self._lines(found.end(), end):
            row = [None if c == "\\N" else re.sub(r"\\(.)", _unescaped, c) for c in line.split("\t")]
            rows.append(row)
            self._count(row)
        return min(end + 3, len(self.text))

    def _lines(self, start: int, end: int) -> Iterator[str]:
        return (line.rstrip("\r") for line in self.text[start:end].split("\n") if line)

    def _rows(self, found: re.Match[str]) -> list[list[str | None]]:
        name = _bare(found["table"])
        if found["columns"]:
            told = [_bare(c) for c in found["columns"].split(",")]
            if self.columns.setdefault(name, told) != told and self.tables.get(name):
                raise DataError(
                    f"{self.file}: line {self._line(found.start()):,}: rows of one table name its columns in several "
                    "orders. Export the table as CSV."
                )
            self.columns[name] = told
        return self.tables.setdefault(name, [])

    def _created(self, found: re.Match[str]) -> int:
        columns, depth, start, at, text = [], 1, found.end(), found.end(), self.text
        sign = re.compile(r"""'[^']*'|"[^"]*"|`[^`]*`|--[^\n]*|[(),]""")
        while depth and (met := sign.search(text, at)):
            at, depth = met.end(), depth + {"(": 1, ")": -1}.get(met[0], 0)
            if (met[0] == "," and depth == 1) or not depth:
                columns.append(re.sub(r"--[^\n]*\n?", "", text[start : met.start()]).strip())
                start = at
        named = [re.match(_NAME, c) for c in columns if not _NO_COLUMN.match(c)]
        self.columns.setdefault(_bare(found["table"]), [_bare(n[0]) for n in named if n])
        return at if not depth else len(text)

    def _count(self, row: list[str | None]) -> None:
        self._cells += len(row) + 1
        if self._cells > MAX_CELLS:
            raise too_large(self.file)

    def _computed(self, at: int) -> DataError:
        return DataError(
            f"{self.file}: line {self._line(at):,}: what this dump puts into a table is not a plain value there (a "
            "text, a number or NULL), or was cut short. Nothing in it is run. Export the table as CSV."
        )

    def _line(self, at: int) -> int:
        return self.text.count("\n", 0, at) + 1


def _bare(name: str) -> str:
    last = re.findall(_NAME, name)[-1] if re.search(_NAME, name) else name
    return last.strip('"`[]').replace('""', '"') if last[:1] in '"`[' else last


def _unescaped(found: re.Match[str]) -> str:
    return _ESCAPES.get(found[1], found[1])
