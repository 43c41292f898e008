"""Pages of reference on tables and settings, made of their declarations, so that they cannot say another thing."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Any, get_type_hints

from pipeline.machine.declared import declared, without_none
from pipeline.practice.fields import RANGES, REQUIRED_FIELDS, input_fields, kind
from pipeline.practice.own_question import KEYS
from pipeline.practice.settings import (
    TOTALS,
    UNWRITTEN,
    AnalysisSettings,
    Evidence,
    Machine,
    NoteWords,
    Practice,
    Rules,
    Standards,
)
from pipeline.practice.table_settings import MADE_KEYS, TableSource
from pipeline.practice.tables import INPUT_TABLES, LINKED_TABLES, Column, Table
from pipeline.practice.talk import Talk

_KINDS = {"flag": "yes or no", "whole": "whole number", "fee": "amount"}  # others are called as they are


def fields_page() -> str:
    """Every field of every input table: its kind, whether a row needs it, its words or range, its meaning."""
    parts = [
        "# Fields of the input tables",
        "",
        "A row without a field marked * is set aside. Columns may come in any order.",
    ]
    for table in INPUT_TABLES.values():
        parts += ["", f"## {table.name}", "", f"One row per {table.one_row_per}.", ""]
        parts += ["| field | kind | words, or range | meaning |", "| --- | --- | --- | --- |"]
        parts += [_field_row(table, field) for field in input_fields(table.name)]
    return "\n".join(parts) + "\n"


def linked_page() -> str:
    """Every column of the tables that linking makes."""
    parts = ["# Tables that linking makes"]
    for table in LINKED_TABLES:
        parts += ["", f"## {table.name}", "", f"One row per {table.one_row_per}.", ""]
        parts += ["| column | type | words | meaning |", "| --- | --- | --- | --- |"]
        parts += [
            f"| `{name}` | {column.dtype} | {_listed(column)} | {cell(column.about)} |"
            for name, column in table.columns.items()
        ]
    return "\n".join(parts) + "\n"


# Where each dataclass stands in the file, and what is said of it besides.
_SECTIONS: tuple[tuple[str, type[Any], Mapping[str, str]], ...] = (
    ("practice", Practice, UNWRITTEN),
    ("tables.<table>", TableSource, {}),
    ("rules", Rules, {}),
    ("analysis", AnalysisSettings, {}),
    ("machine", Machine, {}),
    ("evidence", Evidence, {}),
    ("standards", Standards, {}),
    ("notes", NoteWords, {}),
)


def settings_page() -> str:
    """Every key of PRACTICE.toml: its kind, what it is unless it is written, what it may be, what it decides."""
    parts = [
        "# Settings of PRACTICE.toml",
        "",
        "A key that is not written is as the third column says; - asks the files, or asks you where they do not say.",
    ]
    for title, kind_of, without in _SECTIONS:
        types, also = get_type_hints(kind_of), MADE_KEYS if kind_of is TableSource else {}
        parts += ["", f"## [{title}]", "", f"{(kind_of.__doc__ or '').split(chr(10))[0]}", ""]
        parts += ["| key | kind | if not written | may be | decides |", "| --- | --- | --- | --- | --- |"]
        for name, (said, at) in declared(kind_of).items():
            usual = without.get(name, "" if at.default is MISSING else _usual(at.default))
            allowed = ", ".join(said.words) or (str(said.bounds) if said.bounds else "")
            parts.append(
                f"| `{name}` | {_TYPES[without_none(types[name])]} | {cell(usual)} | {cell(allowed)} | "
                f"{cell(said.about)} |"
            )
        parts += [f"| `{name}` | {_TYPES[type_of]} | - |  | {cell(about)} |" for name, (type_of, about) in also.items()]
    others = {
        "[control_totals], per year": ("What the practice's own report says; loading refuses what differs", TOTALS),
        "[[ask]], one a question": ("A question of your own", KEYS),
        "[talk]": ("The talk", [f.name for f in fields(Talk)]),
    }
    for title, (about, keys) in others.items():
        parts += ["", f"## {title}", "", f"{about}: {', '.join(f'`{key}`' for key in keys)}."]
    parts += ["", "## [codes]", "", "A code to what it stands for, where the list says another thing or nothing."]
    return "\n".join(parts) + "\n"


_TYPES: dict[Any, str] = {
    str: "text",
    int: "whole number",
    float: "number",
    bool: "true or false",
    dt.date: "date",
    Path: "file",
    tuple[str, ...]: "list of texts",
    tuple[int, ...]: "list of whole numbers",
    tuple[tuple[str, ...], ...]: "list of lists of texts",
    dict[str, str]: "texts by name",
    dict[str, dict[str, str]]: "texts by name, by name",
}


def _usual(default: Any) -> str:
    if default is None or default == ():
        return "-"
    return str(default).lower() if isinstance(default, bool) else str(default)


def _field_row(table: Table, field: str) -> str:
    column = table.columns[field]
    needed = " *" if field in REQUIRED_FIELDS[table.name] else ""
    allowed = f"{RANGES[field][0]:g} to {RANGES[field][1]:g}" if field in RANGES else _listed(column)
    how = kind(table.name, field)
    return f"| `{field}`{needed} | {_KINDS.get(how, how)} | {allowed} | {cell(column.about)} |"


def _listed(column: Column) -> str:
    usual = f"usually {', '.join(column.usual)}" if column.usual else ""
    return ", ".join(column.words) if column.words else usual


def cell(text: str) -> str:
    """A text as it stands in a cell of a table."""
    return text.replace("|", "\\|")
