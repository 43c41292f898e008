"""A file of FHIR records, packed as `json_records` knows, as rows of one input table.

Which records are taken depends on the table: Procedure, Claim and ExplanationOfBenefit for `procedures`, the diagnoses
that these name for `endo_details`, Patient for `patients`, Observation for `findings`. Records of other kinds are no
rows; `FhirFile.remark` counts them. A record may give several rows (items of a claim, teeth of an item), so rows are
numbered from 1 as they come; the column `line` says which line or record of the file each
is of. A line that is no record is set
aside, with its line number as the value at fault.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pyarrow as pa

from pipeline.machine.duck import connect_closed
from pipeline.machine.errors import DataError
from pipeline.reading.sources.fhir import statements
from pipeline.reading.sources.fhir.findings import finding_fields, finding_rows, patient_rows
from pipeline.reading.sources.fhir.services import endo_detail_rows, service_rows
from pipeline.reading.sources.fhir.sites import teeth_of
from pipeline.reading.sources.fhir.systems import CDT, known_codes
from pipeline.reading.sources.json_records import Line, read_records
from pipeline.reading.sources.source import MALFORMED_SCHEMA, ROW, Batch, ReadOptions, Spoken

_SERVICES = ("Procedure", "Claim", "ExplanationOfBenefit")
_PLACE = ("line", "resource")
_FAULT = ("fault", "fault_field", "fault_value")


@cache
def _engine() -> duckdb.DuckDBPyConnection:
    """One engine for all files: a folder may hold a file a record, and to start and end one takes longer than to read.
    Nothing in it outlives a block of records, so files may be read by turns."""
    return connect_closed(memory_limit="200MB", threads=2)


@dataclass(frozen=True)
class _Plan:
    """How one table is filled: from which records, by which shape and statement, to which fields."""

    resources: tuple[str, ...]
    shape: str
    statement: str
    fields: tuple[str, ...]


_PLANS = {
    "procedures": _Plan(
        _SERVICES,
        statements.SERVICE,
        statements.SERVICES,
        (
            *("patient_id", "service_date", "code", "tooth", "surface", "provider_id", "status", "procedure_id"),
            *("site_id", "reason"),
        ),
    ),
    "endo_details": _Plan(
        _SERVICES,
        statements.SERVICE,
        statements.SERVICES,
        ("patient_id", "tooth", "service_date", "pulpal_diagnosis", "apical_diagnosis"),
    ),
    "patients": _Plan(
        ("Patient",),
        statements.PATIENT,
        statements.PATIENTS,
        ("patient_id", "birth_date", "birth_year", "sex", "deceased_date"),
    ),
    "findings": _Plan(
        ("Observation",),
        statements.OBSERVATION,
        statements.OBSERVATIONS,
        ("patient_id", "tooth", "exam_date", "pai", "symptomatic", "crown_in_place"),
    ),
}


@dataclass
class FhirFile:
    """An opened file; see `pipeline.reading.sources.source.Source`. `counts` holds, once the file has been read, how
    many records of each kind it has, and `without_row` how many of the kinds that are taken gave no row."""

    path: Path
    options: ReadOptions
    headings: list[str]
    spoken: Spoken = field(default_factory=lambda: Spoken(fields=True, notation="fdi", date_format="%Y-%m-%d"))
    counts: Counter[str] = field(default_factory=Counter)
    without_row: int = 0

    @property
    def remark(self) -> str:
        """What of the file, as far as it was read, is no row of the table; empty if there is no such thing."""
        taken = _PLANS[self.options.table].resources
        others = sorted((n, name) for name, n in self.counts.items() if name not in taken)
        said = [f"{n:,} {name}" for n, name in reversed(others)]
        if self.without_row:
            said.append(f"{self.without_row:,} {', '.join(taken)} that say nothing for it")
        remark = f"records that are no rows of {self.options.table}: {'; '.join(said)}" if said else ""
        if self.options.table == "procedures" and self.counts["Procedure"] and len(set(taken) & set(self.counts)) > 1:
            remark += "; " if remark else ""
            remark += (
                "holds both procedures and claims: work that stands in both counts twice, so leave one of them out"
            )
        return remark

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """Rows from the start of the file; see `Source.batches`. Raises DataError if a Bundle stands among other
        records, and as `read_records` does."""
        self.counts, self.without_row = Counter(), 0
        wanted = self.headings if headings is None else list(headings)
        first = 1
        for block in read_records(self.path):
            rows = self._rows(_engine(), block).sort("line", maintain_order=True)
            rows = rows.with_columns(pl.int_range(first, first + rows.height, dtype=pl.Int64).alias(ROW))
            first += rows.height
            yield _batch(rows, wanted)

    def _rows(self, connection: duckdb.DuckDBPyConnection, block: list[Line]) -> pl.DataFrame:
        """The rows of a block. Should the engine fail on it, the line that it fails on is set aside alone."""
        lines, broken = as_table(block)
        connection.register("lines", lines)
        try:
            rows = self._read(connection)
        except duckdb.Error:
            _engine.cache_clear()  # some errors leave it unable to do anything more
            if len(block) == 1:
                return self._broken([(n, line.decode(errors="replace")) for n, line in block])
            half = len(block) // 2
            return pl.concat([self._rows(_engine(), block[:half]), self._rows(_engine(), block[half:])])
        finally:
            with suppress(duckdb.Error):
                connection.unregister("lines")
        return pl.concat([rows, self._broken(broken)])

    def _read(self, connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
        plan = _PLANS[self.options.table]
        connection.execute(statements.DOCS, {"shape": plan.shape})
        kinds = connection.sql(statements.KINDS).pl()
        broken = connection.sql(statements.BROKEN).pl()
        self._note_kinds(kinds)
        if self.options.table == "patients":
            found = connection.sql(plan.statement).pl()
            rows = patient_rows(found)
        else:
            for statement in statements.hold(plan.statement):
                connection.execute(statement)
            found = connection.sql(statements.READ).pl()
            rows = self._convert(found, connection)
        self.without_row += found["number"].n_unique() - rows["line"].n_unique()
        columns = (*plan.fields, *_PLACE, *_FAULT)
        rows = rows.select(pl.col(name).cast(pl.String) if name != "line" else name for name in columns)
        rows = rows.with_columns(pl.lit(None, pl.String).alias("text"))
        return pl.concat([rows, self._broken(list(broken.iter_rows()))])

    def _convert(self, found: pl.DataFrame, connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
        options = self.options
        handed = {"sites": statements.SITES, "contained": statements.CONTAINED, "concepts": statements.CONCEPTS}
        sites = connection.sql(statements.READ_SITES, params=handed).pl()
        concepts = connection.sql(statements.READ_CODES, params={"concept": statements.CONCEPT}).pl()
        teeth = teeth_of(sites, options.tooth_systems)
        if options.table == "findings":
            meanings = options.findings
            return finding_rows(found, teeth, finding_fields(concepts, meanings))
        rows = service_rows(found, teeth, known_codes(concepts, [*CDT, *options.code_systems]))
        return endo_detail_rows(rows) if options.table == "endo_details" else rows

    def _broken(self, lines: Sequence[tuple[int, str]]) -> pl.DataFrame:
        """Lines that are no records, in the shape of the others."""
        plan = _PLANS[self.options.table]
        schema: dict[str, Any] = {name: pl.String() for name in (*plan.fields, *_PLACE, *_FAULT, "text")}
        schema["line"] = pl.Int64()
        held = [
            {"line": number, "text": text.replace("\0", "\ufffd"), "fault": "no_record", "fault_field": "line"}
            for number, text in lines
        ]
        frame = pl.DataFrame(held, schema=schema)
        return frame.with_columns(pl.col("line").cast(pl.String).alias("fault_value"))

    def _note_kinds(self, kinds: pl.DataFrame) -> None:
        for name, n, first in kinds.iter_rows():
            if name == "Bundle":
                raise _is_bundle(self.path, first)
            # A kind is a name in the standard; any other text may be a patient's.
            self.counts[name if name.isascii() and name.isalpha() and len(name) < 40 else "unknown"] += n


def open_fhir(path: Path, options: ReadOptions) -> FhirFile:
    """Look at the first records of a file of FHIR. Raises DataError if the table cannot be had from FHIR, and as
    `read_records` does."""
    if (plan := _PLANS.get(options.table)) is None:
        raise DataError(
            f"{path.name}: FHIR holds nothing for {options.table}. Take the file out of [tables.{options.table}]."
        )
    next(read_records(path), None)
    return FhirFile(path, options, [*plan.fields, *_PLACE])


def _is_bundle(path: Path, line: int) -> DataError:
    return DataError(
        f"{path.name}: line {line:,} is a Bundle, a packet of records or of deletions, among records.\n"
        "  Keep Bundles in files of their own. Leave the files listed as deleted out; export all anew instead."
    )


def _batch(rows: pl.DataFrame, wanted: Sequence[str]) -> Batch:
    aside = pl.col("fault").is_not_null()
    kept = rows.filter(~aside)
    fields = [name for name in rows.columns if name not in (ROW, "text", *_FAULT)]
    row = pl.struct(fields).struct.json_encode()
    malformed = rows.filter(aside).select(
        ROW,
        pl.coalesce("text", row).alias("raw_row"),
        pl.col("fault_field").alias("field"),
        pl.col("fault_value").alias("value"),
        pl.col("fault").alias("reason"),
    )
    texts = kept.select(pl.col(name).cast(pl.String) for name in wanted)
    return Batch(kept[ROW], texts, malformed.cast(MALFORMED_SCHEMA))  # type: ignore[arg-type]


def as_table(block: list[Line]) -> tuple[pa.Table, list[tuple[int, str]]]:
    """The lines that are UTF-8 as a table `number, text`, and the others with what can be read of them."""
    try:
        return _table(block), []
    except pa.ArrowInvalid:
        sound, broken = [], []
        for number, line in block:
            try:
                line.decode()
                sound.append((number, line))
            except UnicodeDecodeError:
                broken.append((number, line.decode(errors="replace")))
        return _table(sound), broken


def _table(block: list[Line]) -> pa.Table:
    text = pa.array([line for _, line in block], pa.binary()).cast(pa.string())
    return pa.table({"number": pa.array([number for number, _ in block], pa.int64()), "text": text})
