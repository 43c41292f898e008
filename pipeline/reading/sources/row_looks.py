"""What rows look like beside what they say: struck through, hidden, in italics, of a colour, of a class.
How readers hand it on.

Each kind of look is a column that is only there where some row has it. Offices take a row back, or mark it as planned,
by such a look as often as by a word (common practice, no source).
"""

import colorsys
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

STRUCK, HIDDEN, ITALIC = "(struck through)", "(hidden)", "(italics)"
COLOURED, CALLED, COMMENT = "(colour)", "(class)", "(comment)"
LOOKS = (STRUCK, HIDDEN, ITALIC, COLOURED, CALLED, COMMENT)
# By column, by sheet, what each row from 1 is that has the look.
RowLooks = Mapping[str, Mapping[str, Mapping[int, str]]]
# A row is struck through where at least half of its filled cells are, else in part.
WHOLE_ROW, IN_PART = "yes", "in part"
_BEGIN, _END, _BETWEEN, _IS = "\ue0f1", "\ue0f2", "\ue0f3", "\ue0f4"  # of no script: no cell begins with them
_HEX = re.compile(r"#?([0-9a-f]{6})")
_SHORT_HEX = re.compile(r"#([0-9a-f]{3})")
_RGB = re.compile(r"rgba?\(\s*(\d{1,3})\D+(\d{1,3})\D+(\d{1,3})")
_HUES = ((15, "red"), (45, "orange"), (70, "yellow"), (165, "green"), (260, "blue"), (330, "purple"), (361, "red"))
_NO_COLOUR = (
    "",
    "white",
    "none",
    "transparent",
    "inherit",
    "initial",
    "auto",
    "automatic",
    "windowtext",
    "currentcolor",
)
_LONGEST = 8  # with "letters" behind it a look is as long as a text of a flag may be
_WORDS = ("grey", "red", "orange", "yellow", "green", "blue", "purple")
_GREY_BELOW, _WHITE_ABOVE, _BLACK_BELOW = 0.12, 0.97, 0.16
# Stripes: as many rows as this are of a colour, and it changes from row to row as often as this.
_STRIPES, _CHANGES = (0.35, 0.65), 0.6


def marked(text: str, looks: Mapping[str, str]) -> str:
    """The text of a cell with its looks, each column with its text, so that `unmarked` knows them."""
    if not looks or not text:
        return text
    return _BEGIN + _BETWEEN.join(f"{column}{_IS}{what}" for column, what in looks.items()) + _END + text


def unmarked(rows: Iterable[Sequence[str]]) -> tuple[list[list[str]], dict[str, dict[int, str]]]:
    """The rows with their plain texts, and by column what each row from 1 looks like that has a look."""
    plain: list[list[str]] = []
    found: dict[str, dict[int, str]] = {}
    for number, row in enumerate(rows, 1):
        if not any(cell.startswith(_BEGIN) for cell in row):
            plain.append(list(row))
            continue
        looks, texts = [], []
        for cell in row:
            told, end, text = cell[1:].partition(_END) if cell.startswith(_BEGIN) else ("", "", cell)
            texts.append(text)
            looks.append(dict(one.split(_IS, 1) for one in told.split(_BETWEEN)) if end else {})
        plain.append(texts)
        for column, what in row_looks(looks, filled=sum(bool(text) for text in texts)).items():
            found.setdefault(column, {})[number] = what
    return plain, {column: rows for column, rows in found.items() if not is_decoration(column, rows, len(plain))}


def row_looks(cells: Sequence[Mapping[str, str]], *, filled: int) -> dict[str, str]:
    """What a row looks like, of the looks of its cells and how many of them are filled."""
    found = {}
    for column in LOOKS:
        counts = Counter(look[column] for look in cells if column in look)
        if not (n := counts.total()):
            continue
        if column == STRUCK:
            found[column] = WHOLE_ROW if 2 * n >= filled else IN_PART
        elif 2 * max(counts.values()) >= filled:
            found[column] = max(sorted(counts), key=counts.__getitem__)
    if STRUCK in found or HIDDEN in found:  # one answer a row is enough
        found = {column: what for column, what in found.items() if column not in (ITALIC, COLOURED, CALLED)}
    return found


def is_decoration(column: str, rows: Mapping[int, str], n_rows: int) -> bool:
    """Whether colours or italics say nothing of single rows: stripes, or one look for nearly all."""
    if column not in (ITALIC, COLOURED) or n_rows < 4:
        return False
    if len(rows) >= n_rows - 1 and len(set(rows.values())) == 1:
        return True
    least, most = _STRIPES
    changes = sum(rows.get(n) != rows.get(n + 1) for n in range(1, n_rows))
    return least * n_rows <= len(rows) <= most * n_rows and changes >= _CHANGES * (n_rows - 1)


def colour_name(told: str, *, is_text: bool = False) -> str:
    """A colour in a plain word, of its numbers or its name; empty for white, and for letters in black."""
    low = told.strip().lower()
    if found := _HEX.fullmatch(low):
        parts = [int(found[1][n : n + 2], 16) for n in (0, 2, 4)]
    elif found := _SHORT_HEX.fullmatch(low):
        parts = [int(c * 2, 16) for c in found[1]]
    elif found := _RGB.match(low):
        parts = [min(int(n), 255) for n in found.groups()]
    elif low in _NO_COLOUR:
        return ""
    elif named := next((word for word in _WORDS if word in low.replace("gray", "grey")), None):
        return named
    else:
        return "" if low == "black" and is_text else re.sub(r"[^a-z]", "", low)[:_LONGEST]
    hue, light, _ = colorsys.rgb_to_hls(*(part / 255 for part in parts))
    if light < _BLACK_BELOW:
        return "" if is_text else "black"
    if light > _WHITE_ABOVE:
        return ""
    if (max(parts) - min(parts)) / 255 < _GREY_BELOW:
        return "grey"
    return next(name for end, name in _HUES if hue * 360 < end)


def colour_look(fill: str, letters: str) -> dict[str, str]:
    """The look of a cell of a fill and of letters, both named by `colour_name`."""
    if fill:
        return {COLOURED: fill}
    return {COLOURED: f"{letters} letters"} if letters else {}
