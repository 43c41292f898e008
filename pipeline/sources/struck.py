"""Cells that are struck through: how readers hand them on, and what rows with such cells are."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

# A row is struck through where at least half of its filled cells are, else in part.
WHOLE_ROW, IN_PART = "yes", "in part"
_WHOLE, _PART = "\ue0f1", "\ue0f2"  # of no script: no cell begins with them


def marked(text: str, *, struck: int, letters: int) -> str:
    """The text of a cell, `struck` of whose `letters` are struck through, so that `unmarked` knows it."""
    if not struck or not text:
        return text
    return (_WHOLE if struck >= letters else _PART) + text


def unmarked(rows: Iterable[Sequence[str]]) -> tuple[list[list[str]], dict[int, str]]:
    """The rows with their plain texts, and for each row from 1 with such cells, which it is."""
    plain, found = [], {}
    for number, row in enumerate(rows, 1):
        struck = sum(cell.startswith((_WHOLE, _PART)) for cell in row)
        if struck:
            found[number] = row_is(struck, filled=sum(bool(cell) for cell in row))
            plain.append([cell.removeprefix(_WHOLE).removeprefix(_PART) for cell in row])
        else:
            plain.append(list(row))
    return plain, found


def row_is(struck: int, *, filled: int) -> str:
    """What a row is of whose filled cells some are struck through."""
    return WHOLE_ROW if 2 * struck >= filled else IN_PART
