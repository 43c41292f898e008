"""Every stored table: its columns, what each means, its key, and what one row stands for.

The columns stand in `pipeline/data/columns.csv`: `filled` is `always` where none may be null, words are parted by `|`.
A `Table` checks a frame wherever data enter or leave the store, so the steps between need no checks of their own.
Column names and meanings are those that users and other programs rely on.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl
from polars.datatypes import DataType, DataTypeClass

from pipeline.machine.data_tables import data_rows

PolarsType = DataType | DataTypeClass


class TableError(AssertionError):
    """A frame that does not have the declared shape: a fault of ours, never of the user's data."""


@dataclass(frozen=True)
class Column:
    """One column: its type, its meaning, whether it may be null, the words it may hold, and where a number must lie.

    `usual` are words of a field that takes any text: other texts are kept as they are. A number outside `limits` is a
    slip of the pen, and is left out with a note. The periapical index runs from 1 to 5 by definition (Orstavik and
    others 1986); the others are wide limits of our own: common practice, no source. `likely` says where numbers of this
    field mostly lie and, from 0 to 1, how well a column of such numbers speaks for it. `later` says what a column
    records that comes after the clock of its teeth starts.
    """

    dtype: PolarsType
    about: str
    nullable: bool = True
    words: tuple[str, ...] | None = None
    usual: tuple[str, ...] = ()
    limits: tuple[float, float] | None = None
    likely: tuple[float, float, float] | None = None
    later: str = ""


@dataclass(frozen=True)
class Filled:
    """How many rows a table holds, and in how many of them each column is filled."""

    rows: int
    by_column: Mapping[str, int]


@dataclass(frozen=True)
class Table:
    """A declared table.

    `key` lists the columns that tell rows apart; an empty key means that identical rows are legitimate.
    """

    name: str
    one_row_per: str
    key: tuple[str, ...]
    columns: dict[str, Column]

    @property
    def schema(self) -> dict[str, PolarsType]:
        """Column names with their Polars types, in the declared order."""
        return {name: column.dtype for name, column in self.columns.items()}

    def empty(self) -> pl.DataFrame:
        """The table without rows."""
        return pl.DataFrame(schema=self.schema)

    def check(self, frame: pl.DataFrame, *, settled: bool = True) -> pl.DataFrame:
        """Return `frame` unchanged if it has the declared columns, types, nulls, words and key.

        Rows as they come from a file are not `settled` yet: only a key that is their place in it tells them apart.

        Raises TableError naming the table, the column and the count of offending rows; never a value.
        """
        if dict(frame.schema) != self.schema:
            wanted, got = self.schema, dict(frame.schema)
            wrong = [n for n in {*wanted, *got} if wanted.get(n) != got.get(n)]
            raise TableError(f"{self.name}: columns differ from the declaration: {sorted(wrong) or 'their order'}")
        for name, column in self.columns.items():
            if not column.nullable and (n := frame[name].null_count()):
                raise TableError(f"{self.name}.{name}: {n} nulls in a column that allows none")
            if column.words is not None:
                n = frame.select((~pl.col(name).is_in(column.words)).sum()).item()
                if n:
                    raise TableError(f"{self.name}.{name}: {n} values outside the declared words")
        keyed = self.key if settled or "row_number" in self.key else ()
        if keyed and frame.height and frame.select(keyed).is_duplicated().any():
            raise TableError(f"{self.name}: key {self.key} is not unique")
        return frame


_TYPES: dict[str, DataType] = {
    "text": pl.String(), "date": pl.Date(), "flag": pl.Boolean(), "float": pl.Float64(), "uint8": pl.UInt8(),
    "uint16": pl.UInt16(), "uint32": pl.UInt32(), "int32": pl.Int32(), "int64": pl.Int64(),
}  # fmt: skip


def _columns(table: str) -> dict[str, Column]:
    """The columns of a table, or of a block that several tables have in common: `(tooth)`, `(origin)`."""
    found: dict[str, Column] = {}
    for row in data_rows("columns"):
        if row["table"] != table:
            continue
        if row["column"].startswith("("):
            found |= _columns(row["column"])
            continue
        found[row["column"]] = Column(
            _TYPES[row["type"]],
            row["about"],
            row["filled"] != "always",
            tuple(row["words"].split("|")) if row["words"] else None,
            tuple(row["usual"].split("|")) if row["usual"] else (),
            _numbers(row["limits"]),  # type: ignore[arg-type]
            _numbers(row["likely"]),  # type: ignore[arg-type]
            row["later"],
        )
    return found


def _numbers(text: str) -> tuple[float, ...] | None:
    return tuple(float(n) if "." in n else int(n) for n in text.split()) or None


def declared_table(name: str, one_row_per: str, key: str = "") -> Table:
    """A table with the columns that are declared for its name."""
    return Table(name, one_row_per, tuple(key.split()), _columns(name))


def _words(table: Table, column: str) -> tuple[str, ...]:
    """The words that a column may hold, or usually holds."""
    return table.columns[column].words or table.columns[column].usual


PROCEDURES = declared_table(
    "procedures",
    "posted procedure on one tooth: a row of a file that names several teeth becomes several",
    "load_id row_number part",
)
PATIENTS = declared_table("patients", "patient", "patient_id")
ENDO_DETAILS = declared_table("endo_details", "course of endo whose technique was recorded", "load_id row_number")
CROWN_DETAILS = declared_table("crown_details", "crown whose making was recorded", "load_id row_number")
FINDINGS = declared_table("findings", "tooth examined at one recall", "load_id row_number")
ELSEWHERE = declared_table(
    "elsewhere", "thing that others did to a tooth, as far as the practice knows of it", "load_id row_number"
)
NOTES = declared_table(
    "notes",
    "chart note; of its text a digest is stored, by which a note that comes twice is known",
    "load_id row_number",
)
NOTE_ANSWERS = declared_table(
    "note_answers", "value that was not sure, confirmed or mended by the practice", "load_id row_number"
)
NOTE_CHECKS = declared_table(
    "note_checks", "field of a note drawn by chance, held against the chart by the practice", "load_id row_number"
)
# What chart notes need and linking does not look at.
NOTE_TABLES = (NOTES, NOTE_ANSWERS, NOTE_CHECKS)
INPUT_TABLES = {
    t.name: t for t in (PROCEDURES, PATIENTS, ENDO_DETAILS, CROWN_DETAILS, FINDINGS, ELSEWHERE, *NOTE_TABLES)
}
DETAIL_TABLES = {t.name: t for t in (ENDO_DETAILS, CROWN_DETAILS, FINDINGS)}
# What became of a value of a note (`outcome`): it filled a field, it says what is recorded or something else, another
# note of the same treatment counts, nobody knows the tooth, or it is not sure and waits for the practice.
NOTE_VALUES = declared_table("note_values", "value read from a chart note, with what became of it")
QUARANTINE = declared_table("quarantine", "row set aside, with the first fault found in it")
LOADS = declared_table("loads", "file read; rows_read = loaded + duplicate + reversed + quarantined", "load_id")
CLAIMS = declared_table("_claims", "row of a claim file: what it does to which claim", "load_id row_number")
CLAIM_SCHEMA = {name: of for name, of in CLAIMS.schema.items() if name not in CLAIMS.key}
ENDO_COURSES = declared_table("endo_courses", "course of endo on one permanent tooth", "course_id")
CROWNS = declared_table("crowns", "crown of any kind on one permanent tooth", "crown_id")
TOOTH_FOLLOWUP = declared_table(
    "tooth_followup", "permanent tooth with a crown or a course of endo", "patient_id tooth_fdi"
)
PATIENT_FOLLOWUP = declared_table("patient_followup", "patient with such a tooth", "patient_id")
ELSEWHERE_HINTS = declared_table(
    "elsewhere_hints",
    "sign that others may have worked on a tooth, for the practice to answer",
    "patient_id tooth_fdi kind seen_date",
)
# What linking finds; each is stored anew by every run of it.
LINKED_TABLES = (CROWNS, ENDO_COURSES, TOOTH_FOLLOWUP, PATIENT_FOLLOWUP, ELSEWHERE_HINTS)
# What each run of the comparison found, so that the next one can say what changed.
RUN_FIGURES = declared_table(
    "run_figures",
    "figure of the owner's sheet in one run; runs on the same records, settings and program are one",
    "run outcome figure",
)

TOOTH_GROUPS = _words(CROWNS, "tooth_group")
STATUSES = _words(PROCEDURES, "status")
# What a name, a flag or a word makes of a row. A reversal takes back the row of the same work and the same fee: it is
# read as that work with a fee below 0.
REVERSAL = "reversal"
STATUS_WORDS = (*STATUSES, REVERSAL)
SEXES = _words(PATIENTS, "sex")
INSTRUMENTATIONS = _words(ENDO_DETAILS, "instrumentation")
OBTURATIONS = _words(ENDO_DETAILS, "obturation")
SEALERS = _words(ENDO_DETAILS, "sealer")
ORIFICE_SEALS = _words(ENDO_DETAILS, "orifice_seal")
SEPARATED_INSTRUMENTS = _words(ENDO_DETAILS, "separated_instrument")
PULPAL_DIAGNOSES = _words(ENDO_DETAILS, "pulpal_diagnosis")
APICAL_DIAGNOSES = _words(ENDO_DETAILS, "apical_diagnosis")
MATERIALS = _words(CROWN_DETAILS, "material")
MARGINS = _words(CROWN_DETAILS, "margin")
CORES = _words(CROWN_DETAILS, "core")
POSTS = _words(CROWN_DETAILS, "post")
CEMENTS = _words(CROWN_DETAILS, "cement")
PULP_STATUSES = _words(CROWN_DETAILS, "pulp_status_at_prep")
ELSEWHERE_EVENTS = _words(ELSEWHERE, "event")
CROWN_KINDS = _words(CROWNS, "crown_kind")
LOSS_REASONS = _words(CROWNS, "loss_reason")
HINTS = _words(ELSEWHERE_HINTS, "kind")
