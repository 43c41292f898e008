"""Sheets of one file that hold the same table with a few columns of their own: crowns with a material, say.

They are read together, by the headings that they have in common."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import polars as pl

from pipeline.practice.fields import REQUIRED_FIELDS
from pipeline.reading.suggest.group import Group
from pipeline.reading.suggest.pieces import Piece


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
    if a.path != b.path or not a.sheets or not b.sheets or a.layout != b.layout or not a.headings or not b.headings:
        return False
    if a.worksheet or b.worksheet:
        return False
    ours, theirs = _headings(main), _headings(other)
    # Work on no tooth may stand on a sheet of its own, that is the other without the column of teeth.
    if ("tooth" in ours) != ("tooth" in theirs) and not (
        set(a.headings) <= set(b.headings) or set(b.headings) <= set(a.headings)
    ):
        return False
    needed = {*REQUIRED_FIELDS[main.match.table or ""], *({"tooth"} & ours.keys() & theirs.keys())}
    return all(ours.get(f) and ours.get(f) == theirs.get(f) for f in needed)


def _headings(group: Group) -> dict[str, str]:
    """The heading of each field, also where a single column is asked about."""
    found = ((f.field, [f.column] if f.column is not None else f.rivals) for f in group.match.fields)
    return {name: columns[0].name for name, columns in found if len(columns) == 1}


def _united(a: Piece, b: Piece) -> Piece:
    rows = pl.concat([a.rows, b.rows], how="diagonal")
    return replace(
        a,
        rows=rows,
        headings=tuple(rows.columns),
        sheets=(*a.sheets, *b.sheets),
        rows_seen=a.rows_seen + b.rows_seen,
        whole=a.whole and b.whole,
    )
