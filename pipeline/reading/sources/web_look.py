"""What a web page shows beside the cells of its tables: the words above each, and what its rows look like."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from pipeline.reading.sources.row_looks import (
    CALLED,
    COLOURED,
    HIDDEN,
    ITALIC,
    STRUCK,
    WHOLE_ROW,
    colour_look,
    colour_name,
)
from pipeline.reading.sources.standing_names import named

_HEADINGS = ("h1", "h2", "h3", "h4", "h5", "h6")
_TITLE = "title"
_BLOCKS = (
    *("p", "div", "li", "br", "hr", "center", "section", "article", "header", "dt", "dd", "legend", "body", "tr"),
    *("td", "th"),
)
_MOST_LINES = 5
LOOK_OF_TAG = {**dict.fromkeys(("s", "strike", "del"), STRUCK), **dict.fromkeys(("i", "em"), ITALIC)}
_SLANTED = re.compile(r"font-style\s*:\s*(?:italic|oblique)", re.IGNORECASE)
# Tags that nothing closes.
_ALONE = frozenset(("br", "hr", "img", "input", "meta", "link", "col", "wbr", "area", "base"))
_PICTURES = ("img", "i", "svg", "span")
_CELLS = ("td", "th", "tr", "tbody", "thead", "tfoot", "table")
_LINE = re.compile(r"text-decoration(?:-line)?\s*:[^;\"}]*line-through", re.IGNORECASE)
_UNSEEN = re.compile(r"display\s*:\s*none|visibility\s*:\s*(?:hidden|collapse)", re.IGNORECASE)
_FILL = re.compile(r"background(?:-color)?\s*:\s*(#[0-9a-f]+|rgba?\([^)]*\)|[a-z]+)", re.IGNORECASE)
_LETTERS = re.compile(r"(?<![-\w])color\s*:\s*(#[0-9a-f]+|rgba?\([^)]*\)|[a-z]+)", re.IGNORECASE)
# What stands behind letters and is theirs alone.
_FILLED = ("tr", "td", "th", "tbody", "span", "font", "mark")
_RULE = re.compile(r"([^{}]*)\{([^{}]*)\}")
_CLASS = re.compile(r"\.([\w-]+)")
_MOST_OF_STYLES = 1_000_000
_LONGEST_CLASS = 16
_BEFORE_CLASS = re.compile(r"(?i)^(?:is|has|row|tr|status|state|proc|item|entry)[-_]+")


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
class Looks:
    """What letters look like, by the tags that are open; `classes` are the looks that the page's own styles give."""

    classes: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    _open: list[tuple[str, Mapping[str, str]]] = field(default_factory=list)

    @property
    def are_open(self) -> bool:
        """Whether what follows has a look."""
        return bool(self._open)

    def now(self) -> dict[str, str]:
        """The look of what follows: of the innermost tag that has one of a kind."""
        return {column: what for _, look in self._open for column, what in look.items()}

    def start(self, tag: str, told: Mapping[str, str | None]) -> None:
        """A tag opens; a cell or row ends what a former one left open."""
        if tag in _CELLS:
            self._end_cells(tag)
        if tag in _ALONE:
            return
        look = {LOOK_OF_TAG[tag]: WHOLE_ROW} if tag in LOOK_OF_TAG else {}
        for name in (told.get("class") or "").split():
            look |= self.classes.get(name, {})
        look |= look_of_style(told.get("style") or "", fill=told.get("bgcolor"), letters=told.get("color"))
        look |= {HIDDEN: WHOLE_ROW} if "hidden" in told and told["hidden"] != "until-found" else {}
        if tag in ("tr", "td") and (said := _said_by(told)):
            look[CALLED] = said
        if COLOURED in look and tag not in _FILLED:
            del look[COLOURED]
        if look or (tag not in _CELLS and any(tag == one for one, _ in self._open)):
            self._open.append((tag, look))  # one within another of its kind: the first to close is this one

    def end(self, tag: str) -> None:
        """A tag closes."""
        if tag in _CELLS:
            self._end_cells(tag)
        tags = [one for one, _ in self._open]
        if tag in tags:
            del self._open[len(tags) - 1 - tags[::-1].index(tag)]

    def _end_cells(self, tag: str) -> None:
        """Cells end with their row, rows with their table, letters with their cell; some pages close none."""
        inner = ("td", "th") if tag in ("td", "th") else ("td", "th", "tr") if tag == "tr" else _CELLS
        kept = next((n for n, (one, _) in enumerate(self._open) if one in inner), len(self._open))
        self._open = self._open[:kept]


def _said_by(told: Mapping[str, str | None]) -> str:
    """What a class or another word that the page keeps of a row, and does not show, says of whether it stands."""
    for key, value in told.items():
        if key == "class" or key.startswith("data-") or key in ("title", "aria-label", "alt"):
            for text in (value or "").split() if key == "class" else [value or ""]:
                if named(bare := _BEFORE_CLASS.sub("", text)).words:
                    return bare.lower()[:_LONGEST_CLASS]
            if key.startswith("data-") and value not in (None, "", "0", "false", "no") and named(key[5:]).words:
                return key[5:].lower()[:_LONGEST_CLASS]
    return ""


def said_without_letters(tag: str, told: Mapping[str, str | None]) -> str:
    """What a picture, a tick box or a field of a form says in its cell; empty for any other tag."""
    kind = (told.get("type") or "text").lower()
    if tag == "input" and kind in ("checkbox", "radio"):
        return "x" if "checked" in told else ""
    if tag == "input":
        return "" if kind in ("hidden", "button", "submit", "image", "reset") else (told.get("value") or "").strip()
    if tag not in _PICTURES:
        return ""
    said = next((text for name in ("alt", "title", "aria-label") if (text := (told.get(name) or "").strip())), "")
    if said or tag != "img":
        return said
    name = (told.get("src") or "").partition("?")[0].rpartition("/")[2]
    return "" if name.startswith("data:") else name.rpartition(".")[0]


def look_of_style(style: str, *, fill: str | None = None, letters: str | None = None) -> dict[str, str]:
    """The look that a style gives, or a colour told beside it."""
    look = {STRUCK: WHOLE_ROW} if _LINE.search(style) else {}
    if _SLANTED.search(style):
        look[ITALIC] = WHOLE_ROW
    if _UNSEEN.search(style):
        look[HIDDEN] = WHOLE_ROW
    behind = colour_name(found[1] if (found := _FILL.search(style)) else fill or "")
    own = colour_name(found[1] if (found := _LETTERS.search(style)) else letters or "", is_text=True)
    return look | colour_look(behind, own)


def looks_of_classes(page: str) -> dict[str, dict[str, str]]:
    """The classes to which the page's own styles give a look."""
    found: dict[str, dict[str, str]] = {}
    for style in re.findall(r"(?is)<style[^>]*>(.*?)</style>", page[:_MOST_OF_STYLES]):
        for selector, rule in _RULE.findall(style):
            if look := look_of_style(rule):
                for name in _CLASS.findall(selector):
                    found[name] = found.get(name, {}) | look
    return found
