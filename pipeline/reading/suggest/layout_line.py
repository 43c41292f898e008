"""A line of the proposal that says how a file is laid out."""

from dataclasses import dataclass

from pipeline.reading.sources import ReadOptions


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


# The options with what a finder found added, and the line that says so; as they were, and None, where it found nothing.
Found = tuple[ReadOptions, LayoutLine | None]
