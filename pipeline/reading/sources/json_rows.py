"""Rows of a table as objects of JSON, in a list or one a line: the names of their fields are the headings."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.reading.sources.excel_file import open_excel
from pipeline.reading.sources.fhir.ndjson import open_fhir
from pipeline.reading.sources.json_records import AS_WRITTEN, first_record, parsed, read_records
from pipeline.reading.sources.nested_records import flat, holds_tables
from pipeline.reading.sources.source import ROW, Batch, ReadOptions, Source, Spoken, aside

_MAX_FIELDS = 1_000


@dataclass
class JsonRows:
    """An opened file; see `pipeline.reading.sources.source.Source`. Rows have the numbers of their records."""

    path: Path
    headings: list[str]
    spoken: Spoken = field(default_factory=Spoken)

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """Rows from the start of the file; see `Source.batches`. A record that is no object is malformed."""
        wanted = self.headings if headings is None else list(headings)
        schema = {ROW: pl.Int64(), **{h: pl.String() for h in wanted}}
        for block in read_records(self.path):
            found = [(number, _row(text), text) for number, text in block]
            rows = [(n, *(row.get(h) for h in wanted)) for n, row, _ in found if row is not None]
            broken = [(number, text) for number, row, text in found if row is None]
            lines = (text.decode(errors="replace").replace("\0", "\ufffd") for _, text in broken)
            frame = pl.DataFrame(rows, schema=schema, orient="row")
            yield Batch(frame[ROW], frame.drop(ROW), aside((number for number, _ in broken), lines))


def open_json(path: Path, options: ReadOptions) -> Source:
    """A file of JSON: records of FHIR where the first says so, else rows of a table. Raises DataError if no record is
    an object, or there are more fields than any table has; and as `read_records` does."""
    if "resourceType" in first_record(path):
        return open_fhir(path, options)
    if holds_tables(path):
        return open_excel(path, options)
    headings: dict[str, None] = {}
    for block in read_records(path):
        for _, text in block:
            headings.update(dict.fromkeys(_row(text) or ()))
        if len(headings) > _MAX_FIELDS:
            raise DataError(f"{path.name}: its records have more than {_MAX_FIELDS:,} fields. Is it a table?")
    if not headings:
        # Broken records of FHIR are told as such.
        return open_fhir(path, options)
    return JsonRows(path, list(headings))


def _row(record: bytes) -> Mapping[str, str | None] | None:
    """Field to text; fields within a field are named with a point, a list stands as JSON, numbers as written."""
    found = parsed(record, **AS_WRITTEN)
    return flat(found) if isinstance(found, dict) else None
