"""PRACTICE.toml as frozen dataclasses: every choice that changes a result, each declared once.

A field says its default, what it decides, and what it may be; `reading.config` reads the file, the pages tell the
meanings, and `data/reference/settings.md` lists all.
"""

import datetime as dt
from dataclasses import MISSING, dataclass, field
from pathlib import Path
from typing import Any

from pipeline.machine.data_tables import data_rows
from pipeline.machine.declared import Bounds, setting
from pipeline.practice.own_question import Ask
from pipeline.practice.table_settings import CENTURIES, CENTURY, SERIAL_DATES, TableSource, checked_date_format
from pipeline.practice.talk import Talk
from pipeline.practice.teeth import NOTATIONS

CROWN_DATES = ("seat", "prep")
ROOT_CANALS_ELSEWHERE = ("none", "some", "most", "unknown")
PATIENT_IDS = (
    "folded", "numbers", "number_in_text", "without_ending", "without_century", "without_signs", "as_written",
)  # fmt: skip
NUMBERINGS = ("one for all", "per clinic", "per file")
# Doubts that the practice can answer with "that is so": the words of `accepted` under [practice].
ACCEPTABLE = tuple(
    dict.fromkeys(
        [
            *(doubt["id"].partition(".")[0] for doubt in data_rows("doubts") if doubt["so"]),
            *(sign["id"] for sign in data_rows("signs")),
        ]
    )
)
TOTALS = ("patients", "root_canals", "crowns", "extractions", "fees")  # of a year
LEAST_MEMORY_MB = 1000
# What the two of [practice] are that every practice has and need not write.
UNWRITTEN = {"name": "The practice", "database": "practice.duckdb"}


@dataclass(frozen=True)
class Practice:
    """Whose records these are, and how they are written."""

    name: str = setting(MISSING, "Stands on the pages.")
    tooth_notation: str = setting(MISSING, "How teeth are numbered; it is never guessed.", words=NOTATIONS)
    database: Path = setting(MISSING, "Where the database lies.")
    code_system: str = setting("cdt", "A built-in list of codes, or a CSV of code,event[,detail].")
    date_format: str = setting("auto", "auto, or a strptime pattern.", check=checked_date_format)
    crown_date: str = setting(
        "seat", "What the posted date of a crown stands for: its seat or its preparation.", words=CROWN_DATES
    )
    two_digit_years_from: int | None = setting(
        None,
        "1950 reads 50 as 1950 and 49 as 2049; without it such years are refused.",
        bounds=CENTURIES,
        example=CENTURY,
    )
    serial_dates: str | None = setting(
        None, "Day numbers of spreadsheets count from this year; without it they are refused.", words=SERIAL_DATES
    )
    root_canals_elsewhere: str = setting(
        "unknown",
        "Whether root canals of this practice’s patients are done by others, as it says.",
        words=ROOT_CANALS_ELSEWHERE,
    )
    key_file: Path | None = setting(None, "The key of the patients' pseudonyms; else it lies beside the database.")
    signing_key_file: Path | None = setting(None, "The key that signs contributions; else beside the database.")
    files_outside: bool = setting(False, "Files may lie outside the folder of the TOML; else such a name is refused.")
    patient_ids: str | None = setting(
        None, "Whether numbers alike but for zeros, .0, case and blanks are one patient's.", words=PATIENT_IDS
    )
    numbering: str | None = setting(None, "How patients are numbered.", words=NUMBERINGS)
    accepted: tuple[str, ...] = setting((), "Doubts that are so.", words=ACCEPTABLE)
    film_readers: tuple[str, ...] = setting(
        (), "Who read films blind: of a film that one of them read, nobody else’s reading counts.", example="Dr Ekholm"
    )
    time_zone: str | None = setting(None, 'Where the practice is, for stamps told in UTC: "America/Los_Angeles".')


@dataclass(frozen=True)
class Rules:
    """The linking rules; days unless the words say otherwise."""

    reversal_days: int = setting(
        60,
        "A negative fee takes back the latest row like it at most this many days before it; a later one hints "
        "at a failure.",
    )
    hint_days: int = setting(
        400,
        "A filling of one surface on a standing crown hints at an opening elsewhere, unless a root canal was "
        "done on that tooth within so many days of it.",
    )
    course_gap_days: int = setting(
        180,
        "Rows of root canal treatment at most this far apart are one course; a post this long before the seat "
        "tells too.",
    )
    course_pair_days: int = setting(
        365,
        "A later first-treatment row with a fee of 0, at most this long after a row with a fee and with no "
        "crown seated between, belongs to the same course.",
    )
    crown_repost_days: int = setting(
        60, "Crown rows of one tooth at most this far apart, each from the one before, are one crown posted again."
    )
    crown_pair_days: int = setting(
        120,
        "Two crown rows at most this far apart of which exactly one has a fee of 0 are one crown, unless the "
        "tooth was opened between.",
    )
    crown_rows: int = setting(
        1,
        "On how many days a single crown is posted at least: 2 where each is posted at its preparation and again at "
        "its seat, so that one posted once was not seated.",
        bounds=Bounds(1, 2),
    )
    lab_days: int = setting(
        21,
        "Added to a posted date to reach the seat, where crowns are posted at preparation, in one row, and no "
        "seat is recorded.",
    )
    renewal_days: int = setting(
        120,
        "A crown opened and replaced by one seated at most this long after the root canal is told as renewed "
        "after the opening. It has failed.",
    )
    closure_days: int = setting(
        60,
        "A repair or a filling of one surface from the opening to so long after the root canal closes the "
        "opening, and is no complication.",
    )
    recement_days: int = setting(
        90, "A crown found missing that is put back within so many days came off, and has not failed."
    )
    planned_crown_days: int = setting(
        30,
        "A new crown planned at most this long before an opening: one other way to count ends follow-up at "
        "that opening.",
    )
    recall_months: int = setting(12, "Months after a root canal from which a film counts as its recall.")
    uncertain_years: int = setting(
        4,
        "Years after a root canal until which a lesion that is smaller and not gone counts as healing, not as "
        "a failure.",
    )
    active_days: int = setting(
        548,
        "One other way to count follows patients seen within so many days of the last day of the data up to that day.",
    )
    data_cutoff: dt.date | None = setting(
        None, "The last day that counts; rows after it are not used. None: the last date in the data."
    )


@dataclass(frozen=True)
class Analysis:
    """The numbers of the comparisons."""

    horizon_years: int = setting(5, "Years after which groups are compared and shares are given.", bounds=Bounds(1))
    smallest_difference_per_100: float = setting(
        5.0, "The smallest difference in failures per 100 that would matter, fixed beforehand."
    )
    min_at_risk: int = setting(10, "A curve starts once, and stops when no longer, this many teeth are followed.")
    max_step_per_100: float = setting(
        5.0, "A curve stops when one more failure would move it by more than this, per 100."
    )
    min_failures: int = setting(5, "With fewer failures than this in either group it is too early to compare.")
    min_stratum_failures: int = setting(
        5, "A clinician with fewer failures than this shares a baseline hazard with others."
    )
    confidence: float = setting(
        0.95,
        "The share of ranges that hold the truth in the long run.",
        bounds=Bounds(0.5, 1, open_high=True),
        example="0.95",
    )
    seed: int = setting(
        20250101, "Start of the random numbers wherever a method draws any: the same seed gives the same figures."
    )
    choices_crowns: int = setting(
        10_000,
        "The main comparison is counted in other ways on about this many crowns at most, of patients drawn by "
        "a hash of what is recorded of them.",
        bounds=Bounds(1),
    )


@dataclass(frozen=True)
class CodedWindows:
    """Days within which a coded row belongs to a crown or a course. All common practice, no source.

    A post or core is built in the visits before the preparation: the same length as for a post that shows a root canal
    before the seat. The gum may heal for half a year before a tooth that was laid free is prepared. A loosened tooth
    is held first. A perforation is mended before the course, as before a second treatment, or in it. A
    three-dimensional film is taken to plan the course.
    """

    post_core_days: int = setting(
        180,
        "Days: a post or core known by its code alone counts for the crown seated on its day or at most so "
        "long after it (common practice, no source).",
    )
    crown_lengthening_days: int = setting(365, "Days: the same for a tooth laid free (common practice, no source).")
    splint_days: int = setting(
        180,
        "Days: a splint known by its code counts for a root canal begun at most so long after it, or not yet "
        "finished (common practice, no source).",
    )
    perforation_days: int = setting(
        180, "Days: the same for a perforation that was mended (common practice, no source)."
    )
    film_3d_days: int = setting(
        180,
        "Days: the same for a three-dimensional film; one that names no tooth counts for every root canal of "
        "the patient (common practice, no source).",
    )


@dataclass(frozen=True)
class AnalysisSettings(CodedWindows, Analysis):
    """All under `[analysis]`."""


@dataclass(frozen=True)
class Machine:
    """What the work may use of the machine."""

    memory_mb: int = setting(2000, "Memory, MB.", bounds=Bounds(LEAST_MEMORY_MB))

    def memory_to_compare(self, teeth: int) -> int:
        """MB that all questions at once need for so many crowns and courses, measured: 4,000 bytes each and 400 MB."""
        return 400 + teeth * 4000 // 1_000_000

    def rows_linked_at_once(self) -> int:
        """Telling rows that linking can hold within the memory, measured: some 1,200 bytes each beside 700 MB."""
        return max(50_000, (self.memory_mb - 700) * 1_000_000 // 1200)


@dataclass(frozen=True)
class Borrowing:
    """How much others count; `release.pool.others_and_yours` gives the reasons."""

    vague_weight: float = setting(
        0.2,
        "The weight that nothing has, beside what others found, before ours is looked at.",
        bounds=Bounds(0, 1, open_low=True, open_high=True),
        example="0.2",
    )
    between_shares: float = setting(
        0.5,
        "Scale of how far practices differ in shares of teeth, on the logarithm of the cumulative hazard (no "
        "source, chosen as for ratios).",
        bounds=Bounds(0.01, 5),
        example="0.5",
    )
    between_ratios: float = setting(
        0.5,
        "The same for hazard ratios, on their logarithm (Friede and others 2017 recommend 0.5 or 1 for odds ratios).",
        bounds=Bounds(0.01, 5),
        example="0.5",
    )


@dataclass(frozen=True)
class Evidence(Borrowing):
    """How others' figures are put beside ours."""

    contributions: tuple[str, ...] = setting(
        (), "Files that other practices gave for pooling.", example="club/contribution-*.json"
    )
    members: str | None = setting(None, "The list of the practices' key numbers.")
    unlisted: bool = setting(False, "Files that anyone may have made are taken without a list.")


@dataclass(frozen=True)
class Standards:
    """Addresses, as files of an open standard write them, that we do not know by ourselves."""

    tooth_systems: dict[str, str] = setting(dict, "The address of a tooth numbering to ours.", words=NOTATIONS)
    code_systems: tuple[str, ...] = setting(
        (), "Addresses of code lists whose codes are those of the code system.", example="urn:our-code-list"
    )
    findings: dict[str, str] = setting(
        dict, "`address|code` of an observation to our field.", words=("pai", "symptomatic", "crown_in_place")
    )


@dataclass(frozen=True)
class NoteWords:
    """How the practice writes its chart notes."""

    naocl_stock_percent: float | None = setting(
        None, 'The strength of the hypochlorite as bought, by which "3:1" is read.', bounds=Bounds(0.5, 20)
    )
    words: dict[str, dict[str, str]] = setting(dict, "Per field, words of the practice to ours.")


@dataclass(frozen=True)
class Settings:
    """One practice's TOML. `codes` holds the changes under `[codes]`; `codes.read_overrides` reads them."""

    path: Path
    practice: Practice
    tables: dict[str, TableSource]
    rules: Rules = field(default_factory=Rules)
    analysis: AnalysisSettings = field(default_factory=AnalysisSettings)
    codes: dict[str, Any] = field(default_factory=dict)
    standards: Standards = field(default_factory=Standards)
    machine: Machine = field(default_factory=Machine)
    ask: tuple[Ask, ...] = ()
    evidence: Evidence = field(default_factory=Evidence)
    talk: Talk = field(default_factory=Talk)
    notes: NoteWords = field(default_factory=NoteWords)
    # What the practice's own report says of whole years; loading refuses what differs.
    control_totals: dict[int, dict[str, float]] = field(default_factory=dict)
