"""Files or sheets of one shape, as `suggest` takes them together; sheets of one file that hold the same table with a
few columns of their own; columns that are headed alike."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from pipeline.practice.fields import REQUIRED_FIELDS
from pipeline.reading.suggest.match import ASK, FieldMatch, TableMatch
from pipeline.reading.suggest.pieces import Piece
from pipeline.reading.suggest.profile import Column, FileProfile


@dataclass(frozen=True, eq=False)
class Group:
    """Files or sheets of one shape, their common profile and what they were found to be."""

    pieces: list[Piece]
    file: FileProfile
    match: TableMatch
    encoding: str | None = None
    renamed: Mapping[str, str] = field(default_factory=dict)  # what some files call a column otherwise

    @property
    def rows_seen(self) -> int:
        """Rows of all of them."""
        return sum(p.rows_seen for p in self.pieces)

    @property
    def names(self) -> list[str]:
        """Name of each file, with the sheets where there are several."""
        return [p.path.name + (f" ({', '.join(p.sheets)})" if p.sheets else "") for p in self.pieces]

    @property
    def sole_columns(self) -> dict[str, str]:
        """The name of the column of each field, also where only one is asked about."""
        found = ((f.field, [f.column] if f.column is not None else f.rivals) for f in self.match.fields)
        return {name: columns[0].name for name, columns in found if len(columns) == 1}

    def column(self, field: str) -> Column | None:
        """The column of a field; of one that is asked for, the first candidate."""
        for found in self.match.fields:
            if found.field == field:
                return found.column or (found.rivals[0] if found.rivals else None)
        return None


def with_more_sheets(
    chosen: dict[str, Group], left: Sequence[Group], grouped: Callable[[list[Piece]], Group]
) -> tuple[dict[str, Group], list[Group]]:
    """The groups that tables are read from, with such sheets taken in, and the groups that are left."""
    taken: list[Group] = []
    for group in sorted(left, key=lambda g: (-g.rows_seen, g.pieces[0].sheets)):
        table = group.match.table or ""
        main = chosen.get(table)
        if main is None or not _go_together(main, group):
            continue
        both = grouped([_united(main.pieces[0], group.pieces[0])])
        if both.match.table == table:
            chosen[table] = both
            taken.append(group)
    return chosen, [g for g in left if g not in taken]


def _go_together(main: Group, other: Group) -> bool:
    """Whether both are sheets of one file, and what every row of work has stands under the same headings in both."""
    if len(main.pieces) > 1 or len(other.pieces) > 1:
        return False
    a, b = main.pieces[0], other.pieces[0]
    if a.path != b.path or a.layout != b.layout or a.worksheet or b.worksheet:
        return False
    if not (a.sheets and b.sheets and a.headings and b.headings):
        return False
    ours, theirs = main.sole_columns, other.sole_columns
    # Work on no tooth may stand on a sheet of its own, that is the other without the column of teeth.
    if ("tooth" in ours) != ("tooth" in theirs) and not (
        set(a.headings) <= set(b.headings) or set(b.headings) <= set(a.headings)
    ):
        return False
    needed = {*REQUIRED_FIELDS[main.match.table or ""], *({"tooth"} & ours.keys() & theirs.keys())}
    return all(ours.get(f) and ours.get(f) == theirs.get(f) for f in needed)


def _united(a: Piece, b: Piece) -> Piece:
    rows, seen = pl.concat([a.rows, b.rows], how="diagonal"), a.rows_seen + b.rows_seen
    one = replace(a, rows=rows, headings=tuple(rows.columns), rows_seen=seen, whole=a.whole and b.whole)
    return replace(one, sheets=(*a.sheets, *b.sheets))


_SOME = 0.9


def ask_of_twice(match: TableMatch, file: FileProfile) -> TableMatch:
    """The match with a question for each field whose column has namesakes, unless all say the same."""
    return replace(match, fields=tuple(_asked(field, file) for field in match.fields))


def _asked(match: FieldMatch, file: FileProfile) -> FieldMatch:
    if match.column is None:
        return replace(match, rivals=tuple(_first(c) if _is_twice(c.name, file) else c for c in match.rivals))
    name = match.column.name
    alike = [c for c in file.columns if c.name == name or re.fullmatch(rf"{re.escape(name)} \(\d+\)", c.name)]
    if not _is_twice(name, file):
        return match
    first = _first(match.column)
    others = [c for c in alike if c is not match.column]
    if all(match.column.texts.eq_missing(c.texts).all() for c in others):
        return replace(match, column=first)
    seen = (f"column {first.place} of the file", *(_beside(match.column, c) for c in others))
    why = "the heading is there more than once"
    return FieldMatch(match.field, None, ASK, why, (first, *others), seen)


def _is_twice(name: str, file: FileProfile) -> bool:
    return any(c.name == f"{name} (2)" for c in file.columns)


def _first(column: Column) -> Column:
    return replace(column, name=f"{column.name} (1)", heading=f"{column.name} (1)")


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
