"""What a web page shows beside the cells of its tables: the words above each, and letters that are struck through."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

_HEADINGS = ("h1", "h2", "h3", "h4", "h5", "h6")
_TITLE = "title"
_BLOCKS = (
    "p",
    "div",
    "li",
    "br",
    "hr",
    "center",
    "section",
    "article",
    "header",
    "dt",
    "dd",
    "legend",
    "body",
    "tr",
    "td",
    "th",
)
_MOST_LINES = 5
STRIKING = ("s", "strike", "del")
# Tags that nothing closes.
_ALONE = frozenset(("br", "hr", "img", "input", "meta", "link", "col", "wbr", "area", "base"))
_CELLS = ("td", "th", "tr", "tbody", "thead", "tfoot", "table")
_STYLE = re.compile(r"text-decoration(?:-line)?\s*:[^;\"}]*line-through", re.IGNORECASE)
_RULE = re.compile(r"([^{}]*)\{([^{}]*)\}")
_CLASS = re.compile(r"\.([\w-]+)")
_MOST_OF_STYLES = 1_000_000


@dataclass
class Surroundings:
    """The text before tables. A heading holds up to the next of its rank or above; other lines for one table."""

    _headings: dict[int, str] = field(default_factory=dict)
    _rank: int | None = None
    _pieces: list[str] = field(default_factory=list)
    _loose: list[str] = field(default_factory=list)

    def start(self, tag: str) -> None:
        """A tag opens."""
        if tag in (*_HEADINGS, _TITLE):
            self._end_line()
            self._rank = 0 if tag == _TITLE else int(tag[1])
        elif tag in _BLOCKS:
            self._end_line()

    def end(self, tag: str) -> None:
        """A tag closes."""
        if tag in (*_HEADINGS, *_BLOCKS, _TITLE):
            self._end_line()

    def text(self, data: str) -> None:
        """Text."""
        self._pieces.append(data)

    def lines(self) -> list[str]:
        """What stands above a table that begins here, the nearest last."""
        self._end_line()
        found = [text for _, text in sorted(self._headings.items())] + self._loose
        self._loose = []
        return found

    def forget(self) -> None:
        """A table ends: what stood in it is above no other one."""
        self._pieces, self._loose = [], []

    def _end_line(self) -> None:
        line = " ".join("".join(self._pieces).split())
        self._pieces = []
        if line and self._rank is not None:
            self._headings = {rank: text for rank, text in self._headings.items() if rank < self._rank}
            self._headings[self._rank] = line
            self._loose = []
        elif line:
            self._loose = [*self._loose, line][-_MOST_LINES:]
        if line or self._rank is not None:
            self._rank = None


@dataclass
class Strikes:
    """Whether letters are struck through, by the tags that are open; `classes` are those whose style does it."""

    classes: Collection[str] = ()
    _open: list[str] = field(default_factory=list)

    @property
    def are_open(self) -> bool:
        """Whether what follows is struck through."""
        return bool(self._open)

    def start(self, tag: str, told: Mapping[str, str | None]) -> None:
        """A tag opens; a cell or row ends what a former one left open."""
        if tag in _CELLS:
            self._end_cells(tag)
        by_class = self.classes and set((told.get("class") or "").split()) & set(self.classes)
        if tag not in _ALONE and (tag in STRIKING or by_class or _STYLE.search(told.get("style") or "")):
            self._open.append(tag)
        elif tag in self._open and tag not in _CELLS:
            self._open.append(tag)  # one within another of its kind: the first to close is this one

    def end(self, tag: str) -> None:
        """A tag closes."""
        if tag in _CELLS:
            self._end_cells(tag)
        if tag in self._open:
            del self._open[len(self._open) - 1 - self._open[::-1].index(tag)]

    def _end_cells(self, tag: str) -> None:
        """Cells end with their row, rows with their table, letters with their cell; some pages close none."""
        inner = ("td", "th") if tag in ("td", "th") else ("td", "th", "tr") if tag == "tr" else _CELLS
        kept = next((n for n, one in enumerate(self._open) if one in inner), len(self._open))
        self._open = self._open[:kept]


def struck_classes(page: str) -> frozenset[str]:
    """The classes that the page's own styles strike through."""
    if "line-through" not in page[:_MOST_OF_STYLES].lower():
        return frozenset()
    found: set[str] = set()
    for style in re.findall(r"(?is)<style[^>]*>(.*?)</style>", page[:_MOST_OF_STYLES]):
        for selector, rule in _RULE.findall(style):
            if _STYLE.search(rule):
                found.update(_CLASS.findall(selector))
    return frozenset(found)
