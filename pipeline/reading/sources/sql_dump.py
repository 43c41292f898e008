"""The rows that a dump of a database writes: `INSERT INTO ... VALUES (...)` and `COPY ... FROM stdin`; nothing is run.

Only plain values are read: texts, numbers, NULL, true and false, a text that is told to be of a type (`CAST('...' AS
Date)`) or to be a day in a form (`TO_DATE('...', 'DD-MM-YYYY')`). A dump that computes a value is refused with its
line, and so is a table whose rows it changes later. What takes all rows away, or back, is followed.
"""

import datetime as dt
import re
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

from pipeline.machine.errors import DataError
from pipeline.reading.sources.found_tables import MAX_CELLS, FoundTables, read_whole, too_large
from pipeline.reading.sources.standing_names import named

_NAME = r'(?:"(?:[^"]|"")+"|`(?:[^`]|``)+`|\[[^\]]+\]|[\w$]+)'
_TABLE = rf"(?P<table>{_NAME}(?:\s*\.\s*{_NAME})*)"
_INSERT = re.compile(
    rf"(?P<how>INSERT(?:\s+IGNORE|\s+OR\s+\w+)?|REPLACE)\s+(?:INTO\s+)?{_TABLE}\s*(?:\((?P<columns>[^()]*)\))?\s*VALUES\s*",
    re.I,
)
_CREATE = re.compile(rf"CREATE\s+(?:\w+\s+){{0,2}}?TABLE\s+(?:IF\s+NOT\s+EXISTS\s+)?{_TABLE}\s*\(", re.I)
_COPY = re.compile(rf"COPY\s+{_TABLE}\s*(?:\((?P<columns>[^()]*)\))?\s*FROM\s+stdin[^;]*;[^\n]*\n", re.I)
_CHANGE = re.compile(
    rf"(?P<word>UPDATE|MERGE\s+INTO|DELETE(?:\s+FROM)?|ALTER\s+TABLE)\s+(?:ONLY\s+|IF\s+EXISTS\s+)*{_TABLE}", re.I
)
_RENAMES = re.compile(
    r"\b(?:RENAME|CHANGE|DROP)\b(?!\s+(?:CONSTRAINT|INDEX|KEY|PRIMARY|FOREIGN|CHECK|DEFAULT|NOT|IDENTITY)\b)", re.I
)
_FEWEST = 3  # columns of a table that anything is read from: a list of settings may be changed
_WHERE = re.compile(r"\b(?:WHERE|USING|LIMIT|JOIN)\b", re.I)
_SELECTED = re.compile(rf"(?:INSERT(?:\s+\w+)*?|REPLACE)\s+INTO\s+{_TABLE}\s*(?:\([^()]*\))?\s*(?:SELECT|WITH)\b", re.I)
_EMPTIED = re.compile(
    rf"(?:TRUNCATE(?:\s+TABLE)?(?:\s+ONLY)?|DROP\s+TABLE(?:\s+IF\s+EXISTS)?)\s+{_TABLE}\s*(?P<more>,)?", re.I
)
_TRANSACTION = re.compile(r"(?P<word>BEGIN|START\s+TRANSACTION|COMMIT|END|ROLLBACK)\b(?P<more>[^;\n]*)", re.I)
_SCHEMA = re.compile(rf"(?:USE|SET\s+search_path\s*(?:=|TO))\s+(?P<name>{_NAME})", re.I)
# The body of a trigger or a function is not run here, and not by the dump either.
_BODY = re.compile(
    r"DELIMITER\s+(?!;\s*\n)\S+.*?\bDELIMITER\s+;"
    r"|CREATE\s+(?:OR\s+REPLACE\s+)?(?:\w+\s+)?(?:TRIGGER|PROCEDURE|FUNCTION|EVENT|RULE)\b[^;$]*"
    r"(?:\$(?P<tag>\w*)\$.*?\$(?P=tag)\$|\bBEGIN\b.*?;\s*END\b)[^;]*;"
    r"|(?:CREATE|ALTER)\s+(?:OR\s+REPLACE\s+)?(?:\w+\s+)?(?:TRIGGER|PROCEDURE|FUNCTION|EVENT|RULE)\b[^;]*;"
    r"|DO\s+\$(?P<do>\w*)\$.*?\$(?P=do)\$",
    re.I | re.S,
)
_BETWEEN = re.compile(r"(?:\s+|--[^\n]*|#[^\n]*|/\*.*?\*/|;|\\[^\n]*|GO\b)+", re.S | re.I)
_STANDARD, _BACKSLASH = r"[^']*(?:''[^']*)*", r"[^'\\]*(?:(?:''|\\.)[^'\\]*)*"
_VALUE = (
    r"\s*(?:(?P<word>NULL|TRUE|FALSE|DEFAULT)\b"
    r"|(?P<typed>CAST\s*\(\s*)?(?P<number>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)"
    r"(?(typed)\s+AS\s+\w+(?:\s*\([\d ,]+\))?\s*\))"
    r"|(?P<bytes>0x[0-9A-Fa-f]+|[xXbB]'[0-9A-Fa-f]*')"
    # A text that is only told to be of a type, or in which form it is written, is a plain value still.
    r"|(?P<cast>CAST\s*\(\s*|CONVERT\s*\(\s*[\w() ]+,\s*|TO_(?:DATE|TIMESTAMP)\s*\(\s*)?"
    r"(?:[NnEe]|_\w+\s|(?:DATE|TIMESTAMP|DATETIME)\s*)?'(?P<text>{text})'(?:::[\w ]+)?"
    r"(?(cast)\s*(?:AS\s+[\w (,]+\)?|,\s*(?:\d+|'(?P<form>[^']*)'))?\s*\)))"
    r"\s*(?P<after>[,)])"
)
# A bit as some programs dump it: a text of one sign that cannot be seen.
_BITS = {"\\0": "0", "\0": "0", "\x01": "1"}
_LONGEST_BITS = 64
_ESCAPES = {"n": "\n", "t": "\t", "r": "\r", "0": "", "b": "", "Z": ""}
# A statement ends at a semicolon or, in scripts that have none, at a line with the word GO alone.
_REST = re.compile(
    r"""(?:[^;'"`\n]+|\n(?![ \t]*GO[ \t]*\r?$)|'[^']*(?:''[^']*)*'|"[^"]*"|`[^`]*`)*+(?:;|\n)?""", re.I | re.M
)
_NO_COLUMN = re.compile(r"(?:primary|unique|foreign|constraint|key|index|check|fulltext|exclude)\b", re.I)


def open_dump(path: Path) -> FoundTables:
    """The tables whose rows are in the dump. Raises DataError if it has no rows, or values that must be computed."""
    dump = _Dump(path.name, _decoded(read_whole(path)))
    dump.read()
    tables = {name: rows for name, rows in dump.tables.items() if rows or name in dump.faults}
    if not tables:
        raise DataError(
            f"{path.name}: this dump of a database makes tables and puts no rows into them, or not in a way that we "
            "can read. Export the table of procedures as CSV."
        )
    shown = _shown(list(tables))
    loaders = {shown[name]: (lambda name=name: dump.table(name)) for name in tables}
    return FoundTables(path, loaders, "a dump of a database")


def _decoded(content: bytes) -> str:
    try:
        return content.decode("utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("windows-1252", errors="replace")


def _shown(names: list[str]) -> dict[str, str]:
    """Names of tables as they are shown: their schema is of the name where there are several, or it says something."""
    schemas = {name.rpartition(".")[0] for name in names}
    is_whole = len(schemas) > 1 or any(named(schema).words for schema in schemas)
    return {name: name if is_whole else name.rpartition(".")[2] for name in names}


class _Dump:
    def __init__(self, file: str, text: str) -> None:
        self.file, self.text = file, text
        self.tables: dict[str, list[list[str | None]]] = {}
        self.columns: dict[str, list[str]] = {}
        self.faults: dict[str, DataError] = {}
        self._keys: dict[str, list[str]] = {}  # of tables that say so
        self._replaced: dict[str, tuple[int, str]] = {}  # where a row may first take the place of one of the same key
        self._before: dict[str, int] | None = None  # rows of each table when a transaction began
        self._schema = ""
        # In a dump with names in backticks a backslash in a text escapes what follows.
        self._escapes = re.search(r"INTO\s+`", text, re.I) is not None
        self._value = re.compile(_VALUE.format(text=_BACKSLASH if self._escapes else _STANDARD), re.I | re.S)
        self._cells = 0

    def read(self) -> None:
        """Go through the statements."""
        at, text = 0, self.text
        while at < len(text):
            if (found := _BETWEEN.match(text, at)) or (found := _BODY.match(text, at)):
                at = found.end()
            elif found := _INSERT.match(text, at):
                at = self._inserted(found)
            elif found := _COPY.match(text, at):
                at = self._copied(found)
            elif found := _CREATE.match(text, at):
                at = self._created(found)
            else:
                self._followed(at)
                found = _REST.match(text, at)
                at = found.end() if found is not None and found.end() > at else at + 1

    def table(self, name: str) -> list[list[str | None]]:
        """The headings of a table, where they are known, and its rows. Raises DataError if the dump changes rows that
        it wrote."""
        rows, bare = self.tables[name], name.rpartition(".")[2]
        columns = self.columns.get(name) or self.columns.get(bare) or []
        width = len(columns) or (len(rows[0]) if rows else _FEWEST)
        if name in self.faults and width >= _FEWEST:
            raise self.faults[name]
        if name in self._replaced:
            keys = self._keys.get(name) or self._keys.get(bare) or columns[:1]
            places = [columns.index(key) for key in keys if key in columns] or [0]
            found = [tuple(row[p] if p < len(row) else None for p in places) for row in rows]
            if len(set(found)) < len(found):
                raise self._changed(*self._replaced[name], name)
        head: list[list[str | None]] = [[*columns]] if columns else []
        return [*head, *rows]

    def _followed(self, at: int) -> None:
        """Follow a statement that takes rows away or back; one that changes them is a fault of its table."""
        if found := _SCHEMA.match(self.text, at):
            self._schema = _bare(found["name"])
        elif found := _EMPTIED.match(self.text, at):
            for name in self._same(found):
                if found["more"] or (self._before is not None and self._before.get(name)):
                    self.faults.setdefault(name, self._changed(at, found[0].split()[0].upper(), name))
                else:
                    self.tables[name].clear()
        elif found := _TRANSACTION.match(self.text, at):
            self._ended(at, found)
        elif found := _SELECTED.match(self.text, at):
            for name in self._same(found) or [self._full(found)]:
                self.tables.setdefault(name, [])
                self.faults.setdefault(name, self._changed(at, "INSERT ... SELECT", name))
        elif found := _CHANGE.match(self.text, at):
            word = " ".join(found["word"].upper().split())
            rest = _REST.match(self.text, found.end())
            more = rest[0] if rest is not None else ""
            if word == "ALTER TABLE" and not _RENAMES.search(more):
                return
            for name in self._same(found):
                if word == "DELETE FROM" and not _WHERE.search(more) and self._before is None:
                    self.tables[name].clear()
                else:
                    self.faults.setdefault(name, self._changed(at, word, name))

    def _ended(self, at: int, found: re.Match[str]) -> None:
        word = found["word"].upper()
        if word not in ("ROLLBACK", "COMMIT", "END"):
            self._before = {name: len(rows) for name, rows in self.tables.items()}
        elif word == "ROLLBACK" and (self._before is None or re.search(r"\bTO\b", found["more"], re.I)):
            for name in (n for n, rows in self.tables.items() if rows):
                self.faults.setdefault(name, self._changed(at, word, name))
        else:
            for name, rows in self.tables.items() if word == "ROLLBACK" else ():
                del rows[(self._before or {}).get(name, 0) :]
            self._before = None

    def _full(self, found: re.Match[str]) -> str:
        """The name of a table with its schema."""
        parts = [_bare(part) for part in re.findall(_NAME, found["table"])]
        return ".".join([*([self._schema] if self._schema and len(parts) == 1 else []), *parts])

    def _same(self, found: re.Match[str]) -> list[str]:
        """The tables with rows that a statement may mean."""
        full = self._full(found)
        bare, is_bare = full.rpartition(".")[2], "." not in full
        return [
            name
            for name, rows in self.tables.items()
            if rows and (name == full or (name.rpartition(".")[2] == bare and (is_bare or "." not in name)))
        ]

    def _changed(self, at: int, word: str, table: str) -> DataError:
        return DataError(
            f'{self.file}: line {self._line(at):,}: {word} changes rows of the table "{table}" that this dump puts '
            "there. Nothing in a dump is run, so they would be read as they were before. Load the dump into its "
            "database and export the table as CSV. If what you need is in other tables, name them with sheets = [...] "
            "under [tables.procedures]."
        )

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
                name, clause = self._full(found), re.compile(r"\s*ON\s+(?:DUPLICATE|CONFLICT)\b", re.I)
                if found["how"].upper() != "INSERT" or clause.match(self.text, at):
                    word = " ".join(found["how"].upper().split())
                    self._replaced.setdefault(name, (found.start(), word))
                return at
            at = more.end()

    def _row(self, at: int) -> tuple[list[str | None], int]:
        row: list[str | None] = []
        while True:
            value = self._value.match(self.text, at)
            if value is None or (value["form"] is not None and day_in_form(value["text"], value["form"]) is None):
                raise self._computed(at)
            row.append(self._meant(value))
            at = value.end()
            if value["after"] == ")":
                return row, at

    def _meant(self, value: re.Match[str]) -> str | None:
        if value["form"] is not None:
            return day_in_form(value["text"], value["form"])
        if value["bytes"] is not None:
            return _bits(value["bytes"])
        if value["text"] in _BITS:
            return _BITS[value["text"]]
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
        name = self._full(found)
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
        names = [re.match(_NAME, c) for c in columns if not _NO_COLUMN.match(c)]
        name = self._full(found)
        self.columns.setdefault(name, [_bare(n[0]) for n in names if n])
        keys = [re.search(r"PRIMARY\s+KEY\s*(?:\w+\s*)?\((?P<of>[^)]*)\)", c, re.I) for c in columns]
        inline = [_bare(n[0]) for n in names if n and re.search(r"\bPRIMARY\s+KEY\b", n.string, re.I)]
        self._keys[name] = next(([_bare(k) for k in key["of"].split(",")] for key in keys if key), inline)
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


def _bits(text: str) -> str | None:
    """The number of a flag or of a byte; whatever is longer is no value that a ledger needs."""
    digits = text[2:].rstrip("'")
    if text[:2] in ("b'", "B'"):
        return str(int(digits, 2)) if digits and set(digits) <= {"0", "1"} and len(digits) <= _LONGEST_BITS else None
    return str(int(digits, 16)) if 0 < len(digits) <= 2 else None


def _bare(name: str) -> str:
    last = re.findall(_NAME, name)[-1] if re.search(_NAME, name) else name
    return last.strip('"`[]').replace('""', '"') if last[:1] in '"`[' else last


def _unescaped(found: re.Match[str]) -> str:
    return _ESCAPES.get(found[1], found[1])


# The longest first. A year of two digits is not among them: its century would be a guess.
_PARTS = {
    "YYYY": "%Y",
    "RRRR": "%Y",
    "MONTH": "%B",
    "MON": "%b",
    "MM": "%m",
    "DD": "%d",
    "HH24": "%H",
    "HH12": "%I",
    "HH": "%I",
    "MI": "%M",
    "SS": "%S",
    "AM": "%p",
    "PM": "%p",
}
_PART = re.compile("|".join(_PARTS) + r"|[\s:/.,T-]|.", re.IGNORECASE)


@lru_cache(maxsize=65536)
def day_in_form(text: str, form: str) -> str | None:
    """Such a day, year first, with its time of day where there is one; None if the form or the text is another."""
    pattern = _pattern(form)
    if pattern is None:
        return None
    try:
        found = dt.datetime.strptime(text.strip(), pattern)  # noqa: DTZ007  (the zone is not told)
    except ValueError:
        return None
    return found.date().isoformat() if found.time() == dt.time() else found.isoformat(sep=" ")


@lru_cache(maxsize=256)
def _pattern(form: str) -> str | None:
    made = []
    for part in _PART.findall(form.strip()):
        if part.upper() in _PARTS:
            made.append(_PARTS[part.upper()])
        elif re.fullmatch(r"[\s:/.,T-]", part):
            made.append(part)
        else:
            return None
    whole = "".join(made)
    return whole if all(whole.count(mark) == 1 for mark in ("%Y", "%d")) else None
