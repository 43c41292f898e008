"""The tables of a web page: many programs write such a page under the name of a workbook.

Only what the page itself shows in cells is read; nothing is fetched, no script is run. A table within a cell of another
is a table of its own, so one that is there for its looks takes nothing from it.
"""

from __future__ import annotations

import codecs
import re
from html.parser import HTMLParser
from pathlib import Path

from pipeline.errors import DataError
from pipeline.sources.found_tables import FoundTables, read_whole
from pipeline.sources.spans import SpanRows, filled

_CHARSET = re.compile(rb"charset\s*=\s*[\"']?([\w-]+)", re.IGNORECASE)
_MARKS = {codecs.BOM_UTF8: "utf-8-sig", codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
_HEAD = 4096
_MOST_SPAN = 1_000_000
_MOST_DEEP = 50
_LEAST_ROWS, _LEAST_COLUMNS = 2, 2
_NOT_SHOWN = ("script", "style", "title", "template")
_BREAKS = ("br", "p", "div", "li")


def open_web_page(path: Path) -> FoundTables:
    """The tables of a page with at least two rows and columns, as `table 1` and so on in the order of the page.

    Raises
    ------
    DataError
        If there is none, or it is too large.
    """
    parser = _Tables(path.name)
    parser.feed(_decoded(read_whole(path)))
    parser.finish()
    tables = [list(filled(table.rows)) for table in parser.found]
    tables = [rows for rows in tables if len(rows) >= _LEAST_ROWS and max(map(len, rows)) >= _LEAST_COLUMNS]
    if not tables:
        raise DataError(
            f"{path.name}: this is a web page without a table in it. A page that fetches its table from elsewhere "
            "does not hold it: use the page's own export, as CSV or workbook."
        )
    loaders = {f"table {n}": (lambda rows=rows: rows) for n, rows in enumerate(tables, 1)}
    return FoundTables(path, loaders, "a table of a web page")


def _decoded(content: bytes) -> str:
    encoding = next((e for mark, e in _MARKS.items() if content.startswith(mark)), None)
    said = _CHARSET.search(content[:_HEAD])
    tried = [encoding] if encoding else ["utf-8", said[1].decode() if said else "windows-1252", "windows-1252"]
    for name in tried:
        try:
            return content.decode(name)
        except (UnicodeDecodeError, LookupError):
            continue
    return content.decode("latin-1")


class _Tables(HTMLParser):
    """`found` are the tables, a table within another after that one."""

    def __init__(self, file: str) -> None:
        super().__init__(convert_charrefs=True)
        self.file = file
        self.found: list[SpanRows] = []
        self._open: list[tuple[SpanRows, list[str] | None, tuple[int, int]]] = []
        self._hidden = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """See `HTMLParser`."""
        if tag in _NOT_SHOWN:
            self._hidden = tag
        elif tag == "table":
            if len(self._open) >= _MOST_DEEP:
                raise DataError(f"{self.file}: tables stand within tables too often. Export it again, as CSV.")
            self._open.append((SpanRows(self.file), None, (1, 1)))
            self.found.append(self._open[-1][0])
        elif not self._open:
            return
        elif tag == "tr":
            self._close_cell()
            self._open[-1][0].begin()
        elif tag in ("td", "th"):
            self._close_cell()
            told = dict(attrs)
            rows, _, _ = self._open[-1]
            self._open[-1] = rows, [], (_span(told.get("colspan")), _span(told.get("rowspan")))
        elif tag in _BREAKS:
            self.handle_data(" ")

    def handle_endtag(self, tag: str) -> None:
        """See `HTMLParser`."""
        if tag == self._hidden:
            self._hidden = ""
        if not self._open:
            return
        if tag in ("td", "th", "tr"):
            self._close_cell()
        if tag == "tr":
            self._open[-1][0].end()
        elif tag == "table":
            self._close_cell()
            self._open.pop()[0].end()

    def handle_data(self, data: str) -> None:
        """See `HTMLParser`."""
        if self._open and not self._hidden and (text := self._open[-1][1]) is not None:
            text.append(data)

    def finish(self) -> None:
        """End what the page leaves open."""
        self.close()
        while self._open:
            self.handle_endtag("table")

    def _close_cell(self) -> None:
        rows, text, (across, down) = self._open[-1]
        if text is not None:
            rows.add(" ".join("".join(text).split()), across=across, down=down)
            self._open[-1] = rows, None, (1, 1)


def _span(told: str | None) -> int:
    digits = re.match(r"\s*(\d{1,9})", told or "")
    return max(1, min(int(digits[1]), _MOST_SPAN)) if digits else 1
