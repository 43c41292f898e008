"""Columns whose texts hold the sign that parts the fields, without quotation marks: `Smith, Anna`, or a remark."""

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.machine.errors import DataError


@dataclass(frozen=True)
class Loose:
    """`place` is the column, from 0, `width` how many columns there are; `most` how many fields may be too many."""

    place: int
    width: int
    delimiter: str
    most: int | None

    def fitted(self, fields: list[str] | None) -> list[str] | None:
        """The fields with those too many put back into the column; None if they cannot be."""
        if fields is None or len(fields) <= self.width:
            return None
        over = len(fields) - self.width
        if self.most is not None and over > self.most:
            return None
        end = self.place + over + 1
        if self.most is not None and not _is_name(fields[self.place : end]):
            return None
        return [*fields[: self.place], self.delimiter.join(fields[self.place : end]), *fields[end:]]


def loose_place(headings: Sequence[str], delimiter: str, told: Sequence[str], *, file: str) -> Loose | None:
    """The loose column; the last one takes any number of fields, another one a single further one. Raises DataError if
    no column has the heading told, or several are told: which of them a field belongs to cannot be seen."""
    if not told:
        return None
    if len(told) > 1:
        raise DataError(f"{file}: loose_columns names {len(told)} columns, and only one can take what is too much.")
    if (name := told[0].strip()) not in headings:
        raise DataError(f'{file}: has no column "{name}", which loose_columns names. Correct it in the TOML.')
    place = list(headings).index(name)
    return Loose(place, len(headings), delimiter, None if place == len(headings) - 1 else 1)


def _is_name(parts: Sequence[str]) -> bool:
    """Whether two fields may be the halves of a name or of words: neither holds a digit, and both hold a letter."""
    return all(any(c.isalpha() for c in p) and not any(c.isdigit() for c in p) for p in parts)
