"""Pages of reference on the tables, made of their declarations, so that they cannot say another thing."""

from __future__ import annotations

from pipeline.practice.fields import RANGES, REQUIRED_FIELDS, input_fields, kind
from pipeline.practice.tables import INPUT_TABLES, LINKED_TABLES, Column, Table

_KINDS = {
    "words": "words",
    "date": "date",
    "flag": "yes or no",
    "whole": "whole number",
    "number": "number",
    "fee": "amount",
    "tooth": "tooth",
    "code": "code",
    "text": "text",
}


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


def _field_row(table: Table, field: str) -> str:
    column = table.columns[field]
    needed = " *" if field in REQUIRED_FIELDS[table.name] else ""
    allowed = f"{RANGES[field][0]:g} to {RANGES[field][1]:g}" if field in RANGES else _listed(column)
    return f"| `{field}`{needed} | {_KINDS[kind(table.name, field)]} | {allowed} | {cell(column.about)} |"


def _listed(column: Column) -> str:
    usual = f"usually {', '.join(column.usual)}" if column.usual else ""
    return ", ".join(column.words) if column.words else usual


def cell(text: str) -> str:
    """A text as it stands in a cell of a table."""
    return text.replace("|", "\\|")
