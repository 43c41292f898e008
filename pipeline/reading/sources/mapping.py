"""Which column of a file is which field of a table."""

import difflib
import re
from collections.abc import Mapping, Sequence

from pipeline.machine.errors import DataError
from pipeline.practice.fields import REQUIRED_FIELDS, input_fields

# Names that we gave ourselves: `column 3` where there is none, ` (2)` where one is there twice.
_FIRST, _SECOND = " (1)", " (2)"
_NUMBERED = re.compile(r"column \d+|\D+ \(\d+\)")


def resolve_columns(headings: Sequence[str], columns: Mapping[str, str], *, table: str, file: str) -> dict[str, str]:
    """Field to heading, for the fields that the file has.

    `columns` is what PRACTICE.toml says. A field that it does not name is taken from the column with exactly that
    name, if there is one.

    Raises DataError if the file has no column with a heading named in `columns`, has it twice, or lacks a required
    field. The message holds headings only.
    """
    for field, heading in columns.items():
        if heading.strip() not in with_firsts(headings):
            near = difflib.get_close_matches(heading, headings, n=3, cutoff=0.4) or list(headings)[:12]
            raise DataError(
                f'{file}: has no column "{heading}", which [tables.{table}] columns.{field} names.\n'
                f"  {_told(near, 'Headings there that come near')} Correct the name in the TOML."
                + (
                    ""
                    if field in REQUIRED_FIELDS[table]
                    else f' Or, if such files have none, write may_lack = ["{heading}"] under [tables.{table}].'
                )
            )
    found = {field: heading.strip() for field, heading in columns.items()}
    firsts = {f: h.removesuffix(_FIRST) for f, h in found.items() if h not in headings}
    found |= {field: field for field in input_fields(table) if field not in found and field in headings}
    if twice := sorted(h for h in set(found.values()) if f"{h}{_SECOND}" in headings):
        raise DataError(
            f'{file}: the heading "{twice[0]}" is there twice. Say which is meant: write "{twice[0]}{_FIRST}" for the '
            f'first column of that name, "{twice[0]}{_SECOND}" for the second.'
        )
    found |= firsts
    if missing := [field for field in REQUIRED_FIELDS[table] if field not in found]:
        raise DataError(
            f"{file}: nothing says which column is {' and which is '.join(missing)}.\n"
            f"  Add it under [tables.{table}], e.g. columns = {{ {missing[0]} = "
            f'"..." }}. {_told(list(headings)[:30], "Headings there")}'
        )
    return {field: found[field] for field in input_fields(table) if field in found}


def with_firsts(headings: Sequence[str]) -> set[str]:
    """The headings, and `X (1)` for the first of those that stand twice, as they may be named."""
    return {*headings, *(f"{h[: -len(_SECOND)]}{_FIRST}" for h in headings if h.endswith(_SECOND))}


def _told(headings: Sequence[str], what: str) -> str:
    """Headings for a message; where one holds a digit, the line may be a patient's, and nothing of it is told."""
    if any(any(c.isdigit() for c in h) and not _NUMBERED.fullmatch(h) for h in headings):
        return (
            "The first line looks like data. If the file has no headings, write header_row = 0 and name the columns by "
            'their place, e.g. "column 3".'
        )
    return f"{what}: {', '.join(headings)}."
