"""Every stored table: its columns, what each means, its key, and what one row stands for.

A `Table` checks a frame wherever data enter or leave the store, so the steps between need no checks of their own.
Column names and meanings of the tables below are those that users and other programs rely on.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl
from polars.datatypes import DataType, DataTypeClass

TOOTH_GROUPS = ("anterior", "premolar", "molar")
STATUSES = ("completed", "planned", "existing", "void")
# What a name, a flag or a word makes of a row. A reversal takes back the row of the same work and the same fee: it is
# read as that work with a fee below 0.
REVERSAL = "reversal"
STATUS_WORDS = (*STATUSES, REVERSAL)
REASONS = ("endodontic", "periodontal", "fracture", "caries", "orthodontic", "trauma", "other")
SEXES = ("female", "male", "other")
INSTRUMENTATIONS = ("hand", "rotary_sequence", "rotary_single_file", "reciprocating", "hybrid")
OBTURATIONS = ("cold_lateral", "warm_vertical", "single_cone", "carrier")
SEALERS = ("zinc_oxide_eugenol", "epoxy_resin", "calcium_silicate", "calcium_hydroxide", "other")
ORIFICE_SEALS = ("zinc_oxide_eugenol", "glass_ionomer", "composite", "none")
DIFFICULTIES = ("low", "moderate", "high")
SEPARATED_INSTRUMENTS = ("none", "before_cleaning", "after_cleaning", "removed", "bypassed")
MATERIALS = ("metal", "metal_ceramic", "zirconia", "glass_ceramic", "resin", "other")
PULPAL_DIAGNOSES = (
    "normal",
    "reversible_pulpitis",
    "symptomatic_irreversible_pulpitis",
    "asymptomatic_irreversible_pulpitis",
    "irreversible_pulpitis",
    "necrosis",
    "previously_treated",
    "previously_initiated",
)
APICAL_DIAGNOSES = (
    "normal",
    "symptomatic_apical_periodontitis",
    "asymptomatic_apical_periodontitis",
    "apical_periodontitis",
    "acute_apical_abscess",
    "chronic_apical_abscess",
    "condensing_osteitis",
)
CORES = ("composite", "amalgam", "glass_ionomer", "resin_modified_glass_ionomer", "cast", "none")
POSTS = ("none", "fiber", "cast", "prefabricated_metal")
CEMENTS = (
    "glass_ionomer",
    "resin_modified_glass_ionomer",
    "resin",
    "zinc_phosphate",
    "polycarboxylate",
    "zinc_oxide_eugenol",
)
ELSEWHERE_EVENTS = ("root_canal", "retreatment", "surgery", "crown", "crown_removed", "extraction", "nothing")
CROWN_KINDS = ("single", "retainer", "onlay", "prefabricated")
LOSS_REASONS = ("endodontic", "periodontal", "fracture", "caries", "other", "unknown")
HINTS = ("filling_on_crown", "undated_root_canal", "late_refund")
MARGINS = ("chamfer", "shoulder", "knife_edge", "other")
PULP_STATUSES = ("normal", "hyperemic", "necrotic", "root_filled", "unknown")
ENDO_KINDS = ("initial", "retreatment")
ENDO_TIMINGS = ("vital", "before_seat", "through_crown")
CROWN_AT_START = ("none", "crowned", "crowned_unknown_age")
CROWN_FAILURES = ("replaced", "removed", "extracted")
ENDO_FAILURES = ("retreatment", "surgery", "root_resection", "extraction")
EXIT_REASONS = ("failed", "last_contact", "death", "cutoff")

PolarsType = DataType | DataTypeClass


class TableError(AssertionError):
    """A frame that does not have the declared shape: a fault of ours, never of the user's data."""


@dataclass(frozen=True)
class Column:
    """One column: its type, its meaning, whether it may be null, the words it may hold, and where a number must lie.

    `usual` are words of a field that takes any text: other texts are kept as they are. A number outside `limits` is a
    slip of the pen, and is left out with a note. The periapical index runs from 1 to 5 by definition (Orstavik and
    others 1986); the others are wide limits of our own: common practice, no source. `likely` says where numbers of this
    field mostly lie and, from 0 to 1, how well a column of such numbers speaks for it.
    """

    dtype: PolarsType
    about: str
    nullable: bool = True
    words: tuple[str, ...] | None = None
    usual: tuple[str, ...] = ()
    limits: tuple[float, float] | None = None
    likely: tuple[float, float, float] | None = None


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


def _text(
    about: str, *, nullable: bool = True, words: tuple[str, ...] | None = None, usual: tuple[str, ...] = ()
) -> Column:
    return Column(pl.String(), about, nullable, words, usual)


def _date(about: str, *, nullable: bool = True) -> Column:
    return Column(pl.Date(), about, nullable)


def _number(
    about: str,
    dtype: PolarsType = pl.Float64,
    *,
    limits: tuple[float, float] | None = None,
    likely: tuple[float, float, float] | None = None,
) -> Column:
    return Column(dtype() if isinstance(dtype, DataTypeClass) else dtype, about, limits=limits, likely=likely)


def _flag(about: str, *, nullable: bool = True) -> Column:
    return Column(pl.Boolean(), about, nullable)


# Where a stored row came from: the load (one per file read) and its place in that file.
_ORIGIN = {
    "load_id": Column(pl.Int32(), "The load that brought the row; see `loads`.", False),
    "row_number": Column(pl.Int64(), "Row in the file: 1 is the first row under the header.", False),
}
_TOOTH = {
    "tooth": _text("Tooth as written in the source."),
    "tooth_fdi": Column(pl.UInt8(), "Tooth, two-digit ISO 3950; null where the row is not about one tooth."),
    "supernumerary": _flag("True for an extra tooth, which then carries its neighbour's number.", nullable=False),
}

PROCEDURES = Table(
    name="procedures",
    one_row_per="posted procedure on one tooth: a row of a file that names several teeth becomes several",
    key=("load_id", "row_number", "part"),
    columns={
        "patient_id": _text("Patient, as the practice's files name them.", nullable=False),
        "service_date": _date(
            "Day of service. Null only for `existing` rows, whose date is often unknown, and `planned` ones."
        ),
        "code": _text("Procedure code, upper case, without blanks.", nullable=False),
        **_TOOTH,
        "surface": _text("Surfaces, letters."),
        "provider_id": _text("Treating clinician."),
        "status": _text("What the row says: done here, planned, seen here but done elsewhere, void.", words=STATUSES),
        "procedure_id": _text("The source's own key, where it has one."),
        "site_id": _text("Clinic."),
        "fee": _number("Fee in the practice's currency; a negative fee reverses the row that it matches."),
        "reason": _text("Why it was done, e.g. why a tooth was extracted.", words=REASONS),
        **_ORIGIN,
        "part": Column(pl.UInt8(), "Which of the teeth that the row of the file names, from 1.", False),
    },
)

PATIENTS = Table(
    name="patients",
    one_row_per="patient",
    key=("patient_id",),
    columns={
        "patient_id": _text("Patient.", nullable=False),
        "birth_date": _date("Day of birth; null where only the year is known."),
        "birth_year": _number("Year of birth.", pl.Int32, limits=(1880, 2200)),
        "sex": _text("Sex as recorded.", words=SEXES),
        "first_contact_date": _date("First contact as recorded."),
        "last_contact_date": _date("Last contact as recorded."),
        "deceased_date": _date("Day of death."),
        "smoker": _flag("Smokes."),
        "diabetes": _flag("Has diabetes."),
        "bruxism": _flag("Grinds or clenches."),
        **_ORIGIN,
    },
)

ENDO_DETAILS = Table(
    name="endo_details",
    one_row_per="course of endo whose technique was recorded",
    key=("load_id", "row_number"),
    columns={
        "patient_id": _text("Patient.", nullable=False),
        **_TOOTH,
        "service_date": _date("A day within the course.", nullable=False),
        "pulpal_diagnosis": _text("Pulpal diagnosis before treatment.", usual=PULPAL_DIAGNOSES),
        "apical_diagnosis": _text("Apical diagnosis before treatment.", usual=APICAL_DIAGNOSES),
        "preop_pai": _number("Periapical index before treatment, 1 to 5.", pl.UInt8, limits=(1, 5)),
        "canals": _number("Canals treated.", pl.UInt8, limits=(1, 9), likely=(1, 9, 0.5)),
        "length_short_of_apex_mm": _number(
            "Filling to apex, mm; negative is long.", limits=(-15, 30), likely=(-10, 12, 0.6)
        ),
        "master_apical_size_iso": _number("Final apical size, hundredths of a millimetre.", pl.UInt16, limits=(6, 200)),
        "instrumentation": _text("How the canals were shaped.", words=INSTRUMENTATIONS),
        "naocl_percent": _number("Strength of the sodium hypochlorite, percent.", limits=(0, 20)),
        "irrigant_activation": _flag("Irrigant activated."),
        "obturation": _text("How the canals were filled.", words=OBTURATIONS),
        "sealer": _text("Kind of sealer.", words=SEALERS),
        "orifice_seal": _text("Seal over the canal openings.", words=ORIFICE_SEALS),
        "separated_instrument": _text("A file that separated, and when.", words=SEPARATED_INSTRUMENTS),
        "rubber_dam": _flag("Rubber dam used."),
        "visits": _number("Visits of the course.", pl.UInt8, limits=(1, 50), likely=(1, 12, 0.5)),
        "difficulty": _text("Difficulty of the case, as judged before treatment.", words=DIFFICULTIES),
        **_ORIGIN,
    },
)

CROWN_DETAILS = Table(
    name="crown_details",
    one_row_per="crown whose making was recorded",
    key=("load_id", "row_number"),
    columns={
        "patient_id": _text("Patient.", nullable=False),
        **_TOOTH,
        "prep_date": _date("Day of preparation."),
        "seat_date": _date("Day the crown was seated."),
        "material": _text("Material.", words=MATERIALS),
        "margin": _text("Margin.", words=MARGINS),
        "core": _text("Core under the crown.", usual=CORES),
        "post": _text("Post under the core.", usual=POSTS),
        "ferrule_mm": _number("Height of the ferrule, mm.", limits=(0, 15), likely=(0, 10, 0.72)),
        "cement": _text("Kind of cement.", usual=CEMENTS),
        "pulp_status_at_prep": _text("State of the pulp when the tooth was prepared.", words=PULP_STATUSES),
        **_ORIGIN,
    },
)

FINDINGS = Table(
    name="findings",
    one_row_per="tooth examined at one recall",
    key=("load_id", "row_number"),
    columns={
        "patient_id": _text("Patient.", nullable=False),
        **_TOOTH,
        "exam_date": _date("Day of the examination.", nullable=False),
        "pai": _number("Periapical index, 1 to 5.", pl.UInt8, limits=(1, 5)),
        "symptomatic": _flag("Symptoms from this tooth."),
        "crown_in_place": _flag("A crown is in place."),
        "reader": _text("Who read the film."),
        "reading": _number(
            "Which reading: 1, or 2 for a second one of the same film.", pl.UInt8, limits=(1, 2), likely=(1, 2, 0.35)
        ),
        **_ORIGIN,
    },
)

ELSEWHERE = Table(
    name="elsewhere",
    one_row_per="thing that others did to a tooth, as far as the practice knows of it",
    key=("load_id", "row_number"),
    columns={
        "patient_id": _text("Patient.", nullable=False),
        **_TOOTH,
        "event": _text("What was done; `nothing` where the practice looked and nothing was.", words=ELSEWHERE_EVENTS),
        "event_date": _date("Day, where it is known."),
        "event_year": _number("Year, where it is known.", pl.Int32, limits=(1900, 2200)),
        **_ORIGIN,
    },
)

NOTES = Table(
    name="notes",
    one_row_per="chart note; of its text a digest is stored, by which a note that comes twice is known",
    key=("load_id", "row_number"),
    columns={
        "patient_id": _text("Patient.", nullable=False),
        "note_date": _date("Day of the note.", nullable=False),
        **_TOOTH,
        "provider_id": _text("Clinician."),
        "text": _text("What the note says: read, and not stored."),
        **_ORIGIN,
    },
)

# A value read from a note, held against the note or the chart by a person.
_JUDGED = {
    "patient_id": _text("Patient.", nullable=False),
    **_TOOTH,
    "note_date": _date("Day of the note.", nullable=False),
    "field": _text("Which field.", nullable=False),
    "value": _text("What was read; empty where nothing was."),
    "evidence": _text("The words that it was read from."),
    "agreed": _text("Whether the chart says so.", words=("yes", "no", "cannot tell")),
    "chart_value": _text("What the chart says instead, or says where nothing was read."),
    **_ORIGIN,
}
NOTE_ANSWERS = Table(
    name="note_answers",
    one_row_per="value that was not sure, confirmed or mended by the practice",
    key=("load_id", "row_number"),
    columns=_JUDGED,
)
NOTE_CHECKS = Table(
    name="note_checks",
    one_row_per="field of a note drawn by chance, held against the chart by the practice",
    key=("load_id", "row_number"),
    columns=_JUDGED,
)
# What chart notes need and linking does not look at.
NOTE_TABLES = (NOTES, NOTE_ANSWERS, NOTE_CHECKS)

INPUT_TABLES = {
    t.name: t for t in (PROCEDURES, PATIENTS, ENDO_DETAILS, CROWN_DETAILS, FINDINGS, ELSEWHERE, *NOTE_TABLES)
}
DETAIL_TABLES = {t.name: t for t in (ENDO_DETAILS, CROWN_DETAILS, FINDINGS)}

# What became of a value of a note: it filled a field, it says what is recorded or something else, another note of the
# same treatment counts, nobody knows the tooth, or it is not sure and waits for the practice.
NOTE_OUTCOMES = ("used", "recorded", "differs", "other_note", "no_tooth", "unsure", "withdrawn")
_VALUE = {
    "patient_id": _text("Patient.", nullable=False),
    "note_date": _date("Day of the note.", nullable=False),
    "tooth_fdi": Column(pl.UInt8(), "Tooth, ISO 3950; null where nothing says which."),
    "table_name": _text("The table whose field it is.", nullable=False, words=tuple(DETAIL_TABLES)),
    "field": _text("Field of that table; `naocl_ratio` where the stock is not told.", nullable=False),
    "value": _text("The value as text; null where it is to be asked."),
    "sure": _flag("True where it counts without being asked about.", nullable=False),
    "evidence": _text("The words of the note that say it.", nullable=False),
    "rule": _text("The rule that read it.", nullable=False),
}
NOTE_VALUES = Table(
    name="note_values",
    one_row_per="value read from a chart note, with what became of it",
    key=(),
    columns={
        **_VALUE,
        "tooth_from": _text("Who says the tooth.", words=("text", "row", "ledger")),
        "start_at": Column(pl.Int32(), "Where in the text the words begin, in letters from 0.", False),
        "end_at": Column(pl.Int32(), "Where they end.", False),
        "outcome": _text("What became of it.", nullable=False, words=NOTE_OUTCOMES),
        **_ORIGIN,
    },
)

QUARANTINE = Table(
    name="quarantine",
    one_row_per="row set aside, with the first fault found in it",
    key=(),
    columns={
        "file": _text("File that held the row.", nullable=False),
        "table_name": _text("Input table that the file was read as.", nullable=False),
        "row_number": Column(pl.Int64(), "Row in the file: 1 is the first row under the header.", False),
        "field": _text("Field at fault; null where the whole row is."),
        "value": _text("The text found there."),
        "reason": _text("Reason code; the data-quality page says what each means.", nullable=False),
        "raw_row": _text("The whole row as read, as JSON.", nullable=False),
        "stage": _text("Stage that set it aside.", nullable=False, words=("ingest", "link")),
    },
)

LOADS = Table(
    name="loads",
    one_row_per="file read; rows_read = loaded + duplicate + reversed + quarantined",
    key=("load_id",),
    columns={
        "load_id": Column(pl.Int32(), "Number of the load, from 1.", False),
        "file": _text("File read.", nullable=False),
        "hash": _text("SHA-256 of its bytes, hexadecimal.", nullable=False),
        "table_name": _text("Input table.", nullable=False),
        "rows_read": Column(
            pl.Int64(), "Rows under the header; one that names several teeth counts once a tooth.", False
        ),
        "loaded": Column(pl.Int64(), "Rows in the table now.", False),
        "duplicate": Column(pl.Int64(), "Rows that were there already.", False),
        "reversed": Column(pl.Int64(), "Rows of claims that were taken back or replaced by a later one.", False),
        "quarantined": Column(pl.Int64(), "Rows set aside.", False),
    },
)

# What a row of a claim file does. `claim` and `line` name the claim and its line; `action` is original, replacement,
# void, payment or reversal; `replaces` names the claim that a replacement or void refers to; `sent` is when the file
# says that it was sent (ISO 8601, sortable); `charge` the signed charge in the file's currency.
CLAIM_SCHEMA: dict[str, PolarsType] = {
    "claim": pl.String(),
    "line": pl.String(),
    "action": pl.String(),
    "replaces": pl.String(),
    "sent": pl.String(),
    "charge": pl.Float64(),
}

_LOSS = {
    "failure_elsewhere": _flag("True where another practice did what ended it.", nullable=False),
    "loss_reason": _text("Why the tooth was lost; null unless the failure is its loss.", words=LOSS_REASONS),
    "loss_interval_days": Column(
        pl.Int32(), "Days between which the loss lies, of which the middle was taken; null where its day is known."
    ),
}

ENDO_COURSES = Table(
    name="endo_courses",
    one_row_per="course of endo on one permanent tooth",
    key=("course_id",),
    columns={
        "course_id": _text("Course.", nullable=False),
        "patient_id": _text("Patient.", nullable=False),
        "tooth_fdi": Column(pl.UInt8(), "Tooth, ISO 3950.", False),
        "tooth_group": _text("Tooth group.", nullable=False, words=TOOTH_GROUPS),
        "provider_id": _text("Clinician of the row that completed the course (that started it where none did)."),
        "site_id": _text("Clinic of the same row."),
        "started": _date("First day.", nullable=False),
        "completed": _date("Last day; null where no filling followed the removal of the pulp."),
        "visits": Column(pl.UInt32(), "Days with a row of this course.", False),
        "kind": _text("First treatment of the tooth or a repeat.", nullable=False, words=ENDO_KINDS),
        "coded_as_initial": _flag("A repeat that was posted as a first treatment.", nullable=False),
        "crown_at_start": _text("Crown on the tooth when the course began.", nullable=False, words=CROWN_AT_START),
        "crown_id": _text("The crown it was done through or before."),
        "days_to_crown": Column(
            pl.Int32(), "Completion to the seat of the crown it was done before; below 0 if seated meanwhile."
        ),
        "retreatment_date": _date("First repeat treatment after completion."),
        "surgery_date": _date("First apical surgery or root resection after it."),
        "extraction_date": _date("Extraction of the tooth."),
        "failure": _flag("True if follow-up ended in failure.", nullable=False),
        "failure_cause": _text("What the failure was.", words=ENDO_FAILURES),
        "exit_date": _date("Last day followed.", nullable=False),
        "exit_reason": _text("Why follow-up ended.", nullable=False, words=EXIT_REASONS),
        "done_elsewhere": _flag("True for a course that another practice did, on a day that is known.", nullable=False),
        **_LOSS,
    },
)

CROWNS = Table(
    name="crowns",
    one_row_per="crown of any kind on one permanent tooth",
    key=("crown_id",),
    columns={
        "crown_id": _text("Crown.", nullable=False),
        "patient_id": _text("Patient.", nullable=False),
        "tooth_fdi": Column(pl.UInt8(), "Tooth, ISO 3950.", False),
        "tooth_group": _text("Tooth group.", nullable=False, words=TOOTH_GROUPS),
        "provider_id": _text("Clinician of the last posted row of the crown; null where its rows of that day differ."),
        "site_id": _text("Clinic of the same row."),
        "crown_kind": _text(
            "Single crown, retainer of a bridge, onlay or prefabricated.", nullable=False, words=CROWN_KINDS
        ),
        "prep_date": _date("Day of preparation, where known."),
        "seat_date": _date("Day of the seat; null for a crown done elsewhere at an unknown time."),
        "seat_recorded": _flag("True if the seat was recorded, false if it was derived.", nullable=False),
        "material": _text("Material: as recorded, else what the code says.", words=MATERIALS),
        "margin": _text("Margin as recorded.", words=MARGINS),
        "pulp_status_at_prep": _text("State of the pulp at preparation, as recorded.", words=PULP_STATUSES),
        "endo_timing": _text("Root canal relative to the seat; null where it cannot be told.", words=ENDO_TIMINGS),
        "course_id": _text("The course that decides the timing; null where no row of one does."),
        "access_date": _date("Day the crown was opened; null unless through_crown."),
        "access_elsewhere": _flag("True where another practice opened it.", nullable=False),
        "reopened_date": _date("First treatment through a crown whose root canal was done before its seat."),
        "order_uncertain": _flag("True where the order of endo and seat is not sure.", nullable=False),
        "entry_date": _date("Day from which the crown is followed.", nullable=False),
        "exit_date": _date("Last day followed.", nullable=False),
        "failure": _flag("True if follow-up ended in failure.", nullable=False),
        "failure_cause": _text("What the failure was.", words=CROWN_FAILURES),
        **_LOSS,
        "remake_no_fee": _flag("True for a crown that replaced one of ours without a fee.", nullable=False),
        "renewed_after_opening": _flag("True if it was opened and a new one seated soon after.", nullable=False),
        "first_complication_date": _date("First recement or repair while followed."),
        "exit_reason": _text("Why follow-up ended.", nullable=False, words=EXIT_REASONS),
        "done_elsewhere": _flag("True for a crown that another practice seated.", nullable=False),
    },
)

TOOTH_FOLLOWUP = Table(
    name="tooth_followup",
    one_row_per="permanent tooth with a crown or a course of endo",
    key=("patient_id", "tooth_fdi"),
    columns={
        "patient_id": _text("Patient.", nullable=False),
        "tooth_fdi": Column(pl.UInt8(), "Tooth, ISO 3950.", False),
        "followed_to": _date("Last day on which the tooth was followed, whatever was done to it.", nullable=False),
        "end_reason": _text("Why: extraction is `failed`.", nullable=False, words=EXIT_REASONS),
        "extracted": _date("Day of extraction, if while followed."),
        "loss_reason": _LOSS["loss_reason"],
    },
)

ELSEWHERE_HINTS = Table(
    name="elsewhere_hints",
    one_row_per="sign that others may have worked on a tooth, for the practice to answer",
    key=("patient_id", "tooth_fdi", "kind", "seen_date"),
    columns={
        "patient_id": _text("Patient.", nullable=False),
        "tooth_fdi": Column(pl.UInt8(), "Tooth, ISO 3950.", False),
        "kind": _text("What the sign is.", nullable=False, words=HINTS),
        "seen_date": _date("Day of the sign; the seat of the crown in question where it has none.", nullable=False),
    },
)

# What linking finds; each is stored anew by every run of it.
LINKED_TABLES = (CROWNS, ENDO_COURSES, TOOTH_FOLLOWUP, ELSEWHERE_HINTS)

# What each run of the comparison found, so that the next one can say what changed.
RUN_FIGURES = Table(
    name="run_figures",
    one_row_per="figure of the owner's sheet in one run; runs on the same records, settings and program are one",
    key=("run", "outcome", "figure"),
    columns={
        "run": Column(pl.Int32(), "Number of the run, from 1.", False),
        "run_on": _date("Day on which these records were first compared.", nullable=False),
        "records": _text("Fingerprint of what was loaded.", nullable=False),
        "settings": _text("Fingerprint of the rules and settings.", nullable=False),
        "program": _text("Version of the program.", nullable=False),
        "data_cutoff": _date("Last day of the data."),
        "rows_loaded": Column(pl.Int64(), "Rows that all files brought.", False),
        "outcome": _text("Which rate.", nullable=False),
        "figure": _text("rate, over_time, early_1, early_3, or published and its id.", nullable=False),
        "value": Column(pl.Float64(), "Share free of the event; for a comparison failures more, of 100."),
        "low": Column(pl.Float64(), "Lower limit."),
        "high": Column(pl.Float64(), "Upper limit."),
        "verdict": _text("better, same, worse or cannot_tell; null for a rate."),
    },
)
