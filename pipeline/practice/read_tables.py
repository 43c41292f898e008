"""What the reading of a file gives beside the rows of the input tables."""

import polars as pl

from pipeline.practice.tables import LOADS, NOTE_VALUES, QUARANTINE, Column, Table

STORED_LOADS = Table(
    name="_loads",
    one_row_per="file read; rows_read = loaded + duplicate + reversed + quarantined at ingest",
    key=("load_id",),
    columns={
        **LOADS.columns,
        "settings": Column(pl.String(), "Fingerprint of the settings it was read with.", False),
    },
)

_PLACE = {
    name: STORED_LOADS.columns["load_id"] if name == "load_id" else QUARANTINE.columns[name]
    for name in ("load_id", "row_number")
}

STORED_QUARANTINE = Table(
    name="_quarantine",
    one_row_per="row set aside by ingest, with the first fault found in it",
    key=("load_id", "row_number"),
    columns={**_PLACE, **{n: QUARANTINE.columns[n] for n in ("field", "value", "reason", "raw_row")}},
)

# What notes say as they were read: before the ledger, what is recorded and the practice's answers are held against it.
READ_VALUES = Table(
    name="_note_values",
    one_row_per="value read from a chart note",
    key=(),
    columns={name: column for name, column in NOTE_VALUES.columns.items() if name != "outcome"},
)

# Which row of which file a mended row mends; `of_hash` is that file's SHA-256.
MENDED_SCHEMA: dict[str, pl.DataType] = {"row_number": pl.Int64(), "of_hash": pl.String(), "of_row": pl.Int64()}
