"""Columns that are headed alike: which of them a field is read from is asked, with how they differ."""

from dataclasses import replace

import polars as pl

from pipeline.reading.suggest.match import ASK, FieldMatch, TableMatch
from pipeline.reading.suggest.profile import Column, FileProfile

_SOME = 0.9


def ask_of_twice(match: TableMatch, file: FileProfile) -> TableMatch:
    """The match with a question for each field whose column has namesakes; where all of them say the same in every
    row, the first is taken."""
    return replace(match, fields=tuple(_asked(field, file) for field in match.fields))


def _asked(match: FieldMatch, file: FileProfile) -> FieldMatch:
    if match.column is None:
        return replace(match, rivals=tuple(_first(c) if _is_twice(c.name, file) else c for c in match.rivals))
    name = match.column.name
    alike = [c for c in file.columns if c.name == name or (c.name.startswith(f"{name} (") and _number(c.name, name))]
    if not _is_twice(name, file):
        return match
    first = _first(match.column)
    others = [c for c in alike if c is not match.column]
    if all(_same(match.column.texts, c.texts) for c in others):
        return replace(match, column=first)
    seen = (f"column {first.place} of the file", *(_beside(match.column, c) for c in others))
    why = "the heading is there more than once"
    return FieldMatch(match.field, None, ASK, why, (first, *others), seen)


def _is_twice(name: str, file: FileProfile) -> bool:
    return any(c.name == f"{name} (2)" for c in file.columns)


def _first(column: Column) -> Column:
    return replace(column, name=f"{column.name} (1)", heading=f"{column.name} (1)")


def _number(heading: str, name: str) -> bool:
    return heading[len(name) + 2 : -1].isdecimal()


def _same(a: pl.Series, b: pl.Series) -> bool:
    return bool(a.eq_missing(b).all())


def _beside(first: Column, other: Column) -> str:
    """How a column differs from the first of its name."""
    told = [f"column {other.place}"]
    if min(first.date_share, other.date_share) >= _SOME:
        days = (other.days - first.days).drop_nulls()
        told += [f"{_share(days > 0)} later than the first, {_share(days < 0)} earlier"] if len(days) else []
    elif min(first.number_share, other.number_share) >= _SOME:
        told.append(f"{other.share(pl.col('text').str.contains(r'^[0., ]+$')):.0%} are 0")
    return ", ".join(told)


def _share(found: pl.Series) -> str:
    return f"{int(found.sum()) / max(len(found), 1):.0%}"
