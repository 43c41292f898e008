"""Tables that the store keeps for itself, and the statements that make them all.

Names that begin with an underscore are ours alone; the views over them are what others read.
"""

from collections.abc import Collection, Iterator

import polars as pl

from pipeline.practice.read_tables import READ_VALUES, STORED_LOADS, STORED_QUARANTINE
from pipeline.practice.tables import (
    CLAIMS,
    DETAIL_TABLES,
    INPUT_TABLES,
    LINKED_TABLES,
    LOADS,
    NOTE_TABLES,
    NOTE_VALUES,
    PATIENT_FOLLOWUP,
    PATIENTS,
    PROCEDURES,
    RUN_FIGURES,
    Column,
    Table,
)
from pipeline.transforms.cell_forms import FORMS, READ_AS

SCHEMA_VERSION = 5
STAGES = ("ingest", "link", "compare")

# Declared tables whose rows lie under another name, because a view has theirs.
PHYSICAL = {PROCEDURES.name: "_procedures", LOADS.name: "_loads", **{name: f"_{name}" for name in DETAIL_TABLES}}
DERIVED_TABLES = {
    t.name: t for t in (*INPUT_TABLES.values(), *LINKED_TABLES) if t not in (*NOTE_TABLES, PATIENT_FOLLOWUP)
}

SET_ASIDE = Table(
    name="_set_aside",
    one_row_per="loaded procedure that the link stage sets aside",
    key=("load_id", "row_number", "part"),
    columns={**STORED_QUARANTINE.columns, "part": PROCEDURES.columns["part"]},
)

TAKEN_BACK = Table(
    name="_taken_back",
    one_row_per="loaded procedure of a claim that a later one voids, replaces or reverses",
    key=("load_id", "row_number", "part"),
    columns={n: PROCEDURES.columns[n] for n in ("load_id", "row_number", "part")},
)

STAND_INS = Table(
    name="_stand_ins",
    one_row_per="patient of whom anything but mere visits is known; made by the link stage",
    key=("patient_id",),
    columns={
        "patient_id": PATIENTS.columns["patient_id"],
        "stands_as": Column(pl.String(), "The patient's place in every order and draw; see `store_patients`.", False),
    },
)

# Tables that came after the schema; a database that lacks them is given them.
NOTED = {
    name: Table(f"_noted_{name}", f"row of `{name}` as chart notes fill it", ("load_id", "row_number"), table.columns)
    for name, table in DETAIL_TABLES.items()
}
LATER_TABLES = (
    *(STAND_INS, RUN_FIGURES, PATIENT_FOLLOWUP),
    *(*NOTE_TABLES, READ_VALUES, NOTE_VALUES, *NOTED.values()),
)

_NOTES = (
    *("unrecognised", "unreadable", "out_of_range", "implausible"),
    *(READ_AS + form.name for form in FORMS if form.counted),
)
FIELD_NOTES = Table(
    name="_field_notes",
    one_row_per="field of one load in which some text was left out, or read by a form of cells",
    key=("load_id", "field", "note"),
    columns={
        "load_id": STORED_LOADS.columns["load_id"],
        "field": Column(pl.String(), "Field.", False),
        "note": Column(pl.String(), "Why, or by which form of `cell_forms` it was read.", False, _NOTES),
        "rows": Column(pl.Int64(), "Rows of the file.", False),
    },
)

_SQL_TYPES = {
    pl.String: "VARCHAR",
    pl.Date: "DATE",
    pl.Boolean: "BOOLEAN",
    pl.Float64: "DOUBLE",
    pl.UInt8: "UTINYINT",
    pl.UInt16: "USMALLINT",
    pl.UInt32: "UINTEGER",
    pl.Int32: "INTEGER",
    pl.Int64: "BIGINT",
}


# The database tries every way to pack a column, which takes longest for texts that are all different.
_PACKED = {"procedure_id": " USING COMPRESSION zstd"}


def create_statements() -> Iterator[str]:
    """The statements that make an empty database."""
    for name, table in DERIVED_TABLES.items():
        yield _create(PHYSICAL.get(name, name), table)
    for table in (STORED_LOADS, STORED_QUARANTINE, SET_ASIDE, TAKEN_BACK, CLAIMS, FIELD_NOTES, *LATER_TABLES):
        yield _create(table.name, table)
    yield from detail_views()
    yield "CREATE TABLE _texts (name VARCHAR, body VARCHAR)"
    yield "CREATE TABLE _stages (stage VARCHAR)"
    yield f"CREATE TABLE _version AS SELECT {SCHEMA_VERSION} AS version"
    yield """
        CREATE VIEW procedures AS
        SELECT * FROM _procedures ANTI JOIN _set_aside USING (load_id, row_number, part)
        ANTI JOIN _taken_back USING (load_id, row_number, part) SEMI JOIN _loads USING (load_id)
        """
    yield """
        CREATE VIEW quarantine AS
        SELECT l.file, l.table_name, s.row_number, s.field, s.value, s.reason, s.raw_row, s.stage
        FROM (SELECT *, 'ingest' AS stage FROM _quarantine
              UNION ALL BY NAME SELECT * EXCLUDE part, 'link' AS stage FROM _set_aside) AS s
        JOIN _loads AS l USING (load_id)
        """
    yield """
        CREATE VIEW loads AS
        SELECT load_id, file, hash, table_name, rows_read, loaded - coalesce(n, 0) AS loaded, duplicate, reversed,
               quarantined + coalesce(n, 0) AS quarantined
        FROM _loads LEFT JOIN (SELECT load_id, count(*) AS n FROM _set_aside GROUP BY load_id) USING (load_id)
        """


_OF_THE_ROW = ("load_id", "row_number", "patient_id", "tooth_fdi")


def detail_views() -> Iterator[str]:
    """Each detail table as it is used: what is recorded, its gaps filled from notes, and what notes tell alone."""
    for name, table in DETAIL_TABLES.items():
        columns = ", ".join(f"r.{c}" if c in _OF_THE_ROW else f"coalesce(r.{c}, n.{c}) AS {c}" for c in table.columns)
        recorded, noted = PHYSICAL[name], NOTED[name].name
        yield (
            f"CREATE VIEW {name} AS SELECT {columns} FROM {recorded} AS r "  # noqa: S608
            f"LEFT JOIN {noted} AS n USING (load_id, row_number) "
            f"UNION ALL BY NAME SELECT * FROM {noted} ANTI JOIN {recorded} USING (load_id, row_number)"
        )


def create_later_tables(*, of_before: Collection[str] = ()) -> Iterator[str]:
    """The statements that make what a database lacks that an earlier version of the same schema made. `of_before` are
    the tables that it has: details that lie under their own name get the name that a view has not."""
    plain = [name for name in DETAIL_TABLES if name in of_before]
    for name in plain:
        yield f"ALTER TABLE {name} RENAME TO {PHYSICAL[name]}"
    yield from (_create(table.name, table) for table in LATER_TABLES if table.name not in of_before)
    if plain:
        yield from detail_views()


def _create(name: str, table: Table) -> str:
    columns = (f"{c} {_SQL_TYPES[type(d.dtype)]}{_PACKED.get(c, '')}" for c, d in table.columns.items())  # type: ignore[index]
    return f"CREATE TABLE {name} ({', '.join(columns)})"
