"""A line of the proposal that says how a file is laid out."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class LayoutLine:
    """One line of the proposal: the key, its value as TOML, and why.

    `makes` is the field that the line makes of columns, if it does, and `uses` are the columns that are then no others.
    """

    key: str
    value: str
    why: str
    makes: str = ""
    uses: tuple[str, ...] = ()
