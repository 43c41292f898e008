"""The tables of a web page: many programs write such a page under the name of a workbook.

Only what the page itself shows in cells is read; nothing is fetched, no script is run. A table within a cell of another
is a table of its own, so one that is there for its looks takes nothing from it.
"""

import codecs
import email
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

from pipeline.machine.errors import DataError
from pipeline.reading.sources.found_tables import FoundTables, SpanRows, by_look, filled, read_whole
from pipeline.reading.sources.row_looks import CALLED, STRUCK, marked, unmarked
from pipeline.reading.sources.standing_names import named
from pipeline.reading.sources.web_look import LOOK_OF_TAG, Looks, Surroundings, looks_of_classes, said_without_letters

_CHARSET = re.compile(rb"charset\s*=\s*[\"']?([\w-]+)", re.IGNORECASE)
_MARKS = {codecs.BOM_UTF8: "utf-8-sig", codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
_HEAD = 4096
_MOST_SPAN = 1_000_000
_MOST_DEEP = 50
_LEAST_ROWS, _LEAST_COLUMNS = 2, 2
_FEW_CELLS = 50
_NOT_SHOWN = ("script", "style", "template")
_BREAKS = ("br", "p", "div", "li")


def open_web_page(path: Path) -> FoundTables:
    """The tables of a page with at least two rows and columns, as `table 1` and so on in the order of the page. Raises
    DataError if there is none, or it is too large."""
    page = _decoded(_page_of(read_whole(path)))
    parser = _Tables(path.name, looks_of_classes(page))
    parser.feed(page)
    parser.finish()
    whole = [(list(filled(table.rows)), above) for table, above in zip(parser.found, parser.above, strict=True)]
    tables = [one for one in whole if len(one[0]) >= _LEAST_ROWS and max(map(len, one[0])) >= _LEAST_COLUMNS]
    if not tables:
        raise DataError(
            f"{path.name}: this is a web page without a table in it. A page that fetches its table from elsewhere "
            "does not hold it: use the page's own export, as CSV or workbook."
        )
    named = {f"table {n}": (unmarked(rows), above) for n, (rows, above) in enumerate(tables, 1)}
    plain = {name: rows for name, ((rows, _), _) in named.items()}
    loaders = {name: (lambda rows=rows: rows) for name, rows in plain.items()}
    return FoundTables(
        path,
        loaders,
        "a table of a web page",
        above={name: tuple(above) for name, (_, above) in named.items()},
        looks=by_look({name: looks for name, ((_, looks), _) in named.items()}),
    )


def _page_of(content: bytes) -> bytes:
    """The page in a file that a browser saved as a letter with parts (.mht); any other content as it is."""
    if content.lstrip()[:1] == b"<" or b"mime-version" not in content[:_HEAD].lower():
        return content
    letter = email.message_from_bytes(content)
    for part in letter.walk():
        if part.get_content_type() == "text/html" and isinstance(page := part.get_payload(decode=True), bytes):
            charset = part.get_content_charset()
            try:
                return page.decode(charset).encode() if charset else page
            except (UnicodeDecodeError, LookupError):
                return page
    return content


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
    """`found` are the tables, a table within another after that one; `above` what stands above each, outside of it."""

    def __init__(self, file: str, classes: Mapping[str, Mapping[str, str]]) -> None:
        super().__init__(convert_charrefs=True)
        self.file = file
        self.found: list[SpanRows] = []
        self.above: list[list[str]] = []
        self._open: list[_OpenTable] = []
        self._hidden = ""
        self._surroundings = Surroundings()
        self._looks = Looks(classes)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """See `HTMLParser`."""
        if tag in _NOT_SHOWN or (tag == "title" and self._open):  # of a drawing
            self._hidden = tag
        elif tag == "table":
            if len(self._open) >= _MOST_DEEP:
                raise DataError(f"{self.file}: tables stand within tables too often. Export it again, as CSV.")
            self._open.append(_OpenTable(SpanRows(self.file), place=len(self.found)))
            self.found.append(self._open[-1].rows)
            self.above.append(self._surroundings.lines())
        elif not self._open:
            pass
        elif tag == "caption":
            self._open[-1].caption = []
        elif tag == "tr":
            self._close_cell()
            self._open[-1].rows.begin()
        elif tag in ("td", "th"):
            self._close_cell()
            told = dict(attrs)
            self._open[-1].text = []
            self._open[-1].spans = _span(told.get("colspan")), _span(told.get("rowspan"))
        elif tag in _BREAKS:
            self.handle_data(" ")
        elif self._open[-1].text is not None and (said := said_without_letters(tag, dict(attrs))):
            self._open[-1].said.append(said)
        if self._is_watched:
            self._surroundings.start(tag)
        if attrs or self._looks.are_open or tag in LOOK_OF_TAG:
            self._looks.start(tag, dict(attrs))

    def handle_endtag(self, tag: str) -> None:
        """See `HTMLParser`."""
        if tag == self._hidden:
            self._hidden = ""
        if self._is_watched:
            self._surroundings.end(tag)
        if not self._open:
            pass
        elif tag in ("td", "th", "tr", "caption"):
            self._close_cell()
            if tag == "tr":
                self._open[-1].rows.end()
        elif tag == "table":
            self._close_cell()
            self._open.pop().rows.end()
            self._surroundings.forget()
        if self._looks.are_open:
            self._looks.end(tag)

    def handle_data(self, data: str) -> None:
        """See `HTMLParser`."""
        if self._hidden:
            return
        if self._is_watched:
            self._surroundings.text(data)
        if not self._open:
            return
        if (table := self._open[-1]).text is not None:
            table.text.append(data)
            if self._looks.are_open:
                n = len("".join(data.split()))
                table.looks.update(dict.fromkeys(self._looks.now().items(), n))
        elif table.caption is not None:
            table.caption.append(data)

    @property
    def _is_watched(self) -> bool:
        """Whether what stands here may stand above a table: a table that is there for its looks has few cells."""
        return not self._open or self._open[-1].cells <= _FEW_CELLS

    def finish(self) -> None:
        """End what the page leaves open."""
        self.close()
        while self._open:
            self.handle_endtag("table")

    def _close_cell(self) -> None:
        table = self._open[-1]
        if table.text is not None:
            across, down = table.spans
            text = " ".join("".join(table.text).split()) or " ".join(table.said)
            if table.said and text and (mark := next((s for s in table.said if s != text and named(s).words), "")):
                table.looks[CALLED, mark] = len(text)
            if table.looks:
                letters = len(text.replace(" ", ""))
                # A cell is struck through where any of its letters are, and hidden or of a colour where most are.
                text = marked(
                    text, {c: w for (c, w), n in table.looks.items() if n and (c == STRUCK or 2 * n > letters)}
                )
            table.rows.add(text, across=across, down=down)
            table.text, table.looks, table.said = None, Counter(), []
            table.cells += 1
        if table.caption is not None:
            self.above[table.place].append(" ".join("".join(table.caption).split()))
            table.caption = None


@dataclass
class _OpenTable:
    """A table that is being read; `text` are the pieces of the open cell, so many of whose letters have `looks`, and
    `said` what pictures, tick boxes and fields in it say."""

    rows: SpanRows
    place: int
    text: list[str] | None = None
    spans: tuple[int, int] = (1, 1)
    looks: Counter[tuple[str, str]] = field(default_factory=Counter)
    said: list[str] = field(default_factory=list)
    caption: list[str] | None = None
    cells: int = 0


def _span(told: str | None) -> int:
    digits = re.match(r"\s*(\d{1,9})", told or "")
    return max(1, min(int(digits[1]), _MOST_SPAN)) if digits else 1
