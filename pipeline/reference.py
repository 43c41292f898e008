"""Pages of reference made of the declarations, so that they cannot say another thing than the program.

`python -m pipeline.reference` renews the files in `data/reference/`, which a test holds to the declarations.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.fields import RANGES, REQUIRED_FIELDS, input_fields, kind
from pipeline.tables import INPUT_TABLES, LINKED_TABLES, Column, Table

FOLDER = Path(__file__).parent / "data" / "reference"

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


def pages() -> dict[str, str]:
    """Each page's content by the name of its file."""
    return {"fields.md": fields_page(), "linked_tables.md": linked_page()}


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
            f"| `{name}` | {column.dtype} | {_listed(column)} | {_cell(column.about)} |"
            for name, column in table.columns.items()
        ]
    return "\n".join(parts) + "\n"


def _field_row(table: Table, field: str) -> str:
    column = table.columns[field]
    needed = " *" if field in REQUIRED_FIELDS[table.name] else ""
    allowed = f"{RANGES[field][0]:g} to {RANGES[field][1]:g}" if field in RANGES else _listed(column)
    return f"| `{field}`{needed} | {_KINDS[kind(table.name, field)]} | {allowed} | {_cell(column.about)} |"


def _listed(column: Column) -> str:
    usual = f"usually {', '.join(column.usual)}" if column.usual else ""
    return ", ".join(column.words) if column.words else usual


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, text in pages().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
