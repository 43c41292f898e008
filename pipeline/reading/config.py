"""PRACTICE.toml: every choice that changes a result, read once into frozen dataclasses.

A key that is not known is refused, with the nearest one that is: a misspelt rule must never be silently ignored.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.machine.errors import ConfigError
from pipeline.machine.inside_folder import SETTING, inside, refuse_outside
from pipeline.practice import codes
from pipeline.practice.fields import DERIVED_FIELDS, FLAG_WORDS, NOTE_FIELDS, RANGES, map_words, normal_word
from pipeline.practice.tables import DETAIL_TABLES, INPUT_TABLES
from pipeline.practice.talk import Talk, read_talk
from pipeline.practice.teeth import NOTATIONS
from pipeline.questions.asking.question import Ask, read_ask
from pipeline.reading.doubts.doubt import ACCEPTABLE
from pipeline.reading.doubts.standing import STATUS_WORDS
from pipeline.reading.sources.group_lines import read_templates
from pipeline.reading.sources.made_columns import KEYS, date_parts, first_filled, made_of
from pipeline.reading.sources.source import Made
from pipeline.reading.suggest.open_questions import refuse_open_questions
from pipeline.transforms.instants import is_zone
from pipeline.transforms.rules import Rules

CROWN_DATES = ("seat", "prep")
ROOT_CANALS_ELSEWHERE = ("none", "some", "most", "unknown")
SERIAL_DATES = ("1900", "1904")
DECIMAL_SIGNS = (".", ",")
LARGEST_TOML = 5_000_000
# No number may be above these, by how its name ends: a hundred years, and what any sum of them still holds.
LARGEST = {"_days": 36_500, "_months": 1_200, "_years": 100, "": 2_000_000_000}
TOTALS = ("patients", "root_canals", "crowns", "extractions", "fees")  # of a year
PATIENT_IDS = ("folded", "numbers", "without_ending", "as_written")
DITTO_ABOVE = "above"
MONTHS = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
NUMBERINGS = ("one for all", "per clinic", "per file")
# Answers about the cells of one table, each a word; `doubts.answers` puts them to work.
CELL_WORDS = {
    "swapped_dates": ("mend", "as_written"),
    "late_stamps": ("next_day", "as_written"),
    "ditto_marks": (DITTO_ABOVE, "empty"),
    "tooth_letter": ("surface", "tooth"),
    "teeth_as_dates": ("month_is_quadrant", "day_is_quadrant"),
    "teeth_count_from": ("zero", "one"),
    "year_begins": MONTHS,
    "months_count_from": ("zero", "one"),
    "fee_unit": ("cent", "whole"),
}
NOTATIONS_BY = ("universal", "fdi")
BESIDE = ("clinic", "dependant", "credit", "merged_into")


@dataclass(frozen=True)
class Practice:
    """Whose records these are, and how they are written."""

    name: str
    tooth_notation: str  # universal | fdi | palmer
    database: Path
    code_system: str = "cdt"  # a word of codes.BUILT_IN, or the absolute path of a CSV of code,event[,detail]
    date_format: str = "auto"  # auto, or a strptime pattern
    crown_date: str = "seat"  # what the posted date of a crown is: seat | prep
    two_digit_years_from: int | None = None  # 1950 reads 50 as 1950 and 49 as 2049; None refuses two-digit years
    serial_dates: str | None = None  # spreadsheet day numbers count from 1900 | 1904; None refuses them
    root_canals_elsewhere: str = "unknown"  # whether others do root canals of this practice's patients
    key_file: Path | None = None  # the key of the patients' pseudonyms; None: beside the database
    signing_key_file: Path | None = None  # the key that signs contributions; None: beside the database
    # Files may lie outside the folder of the TOML; without it a name that leads out of it is refused.
    files_outside: bool = False
    patient_ids: str | None = None  # numbers alike but for zeros, .0, case and blanks: folded | as_written; None asks
    numbering: str | None = None  # patients are numbered "one for all", "per clinic" or "per file"; None asks
    accepted: tuple[str, ...] = ()  # doubts that are so: words of doubts.ACCEPTABLE
    film_readers: tuple[str, ...] = ()  # who read films blind: where one of them did, nobody else's reading counts
    time_zone: str | None = None  # where the practice is, for stamps told in UTC: "America/Los_Angeles"; None asks


@dataclass(frozen=True)
class TableSource:
    """Where one input table comes from.

    `files` are patterns relative to the TOML's folder; `columns` maps our field to the heading in the file; `values`
    maps, per field, words of the file to ours. `corrected` are patterns of files of rows that were set aside and have
    been mended. `header_row` is the line of the headings, from 1; 0 where a file has none and its columns are called
    `column 1` and so on. `sheets` are a workbook's sheets. What is None or empty is found out from the file.
    """

    name: str
    files: tuple[str, ...]
    columns: dict[str, str] = field(default_factory=dict)
    values: dict[str, dict[str, str]] = field(default_factory=dict)
    date_format: str | None = None
    delimiter: str | None = None
    encoding: str | None = None
    corrected: tuple[str, ...] = ()
    header_row: int | None = None
    sheets: tuple[str, ...] = ()
    two_digit_years_from: int | None = None
    serial_dates: str | None = None
    decimal: str | None = None  # the decimal sign of numbers: . or ,
    fill_down: tuple[str, ...] = ()  # fields that stand on the first row of a group only, the outermost first
    group_lines: tuple[str, ...] = ()  # lines above the rows that say a field: "Patient: {patient_id} {*}"
    loose_columns: tuple[str, ...] = ()  # headings of columns that hold the delimiter without quotation marks
    fixed_width: tuple[int, ...] = ()  # the places, from 1, at which the fields of a line begin
    stacked_tables: bool = False  # several tables one below the other, each with its headings
    repeated_columns: tuple[tuple[str, ...], ...] = ()  # headings of sets of columns, each a row of its own
    cell_lists: tuple[str, ...] = ()  # headings of cells with several parts that go together, the codes first
    transposed: bool = False  # the table stands on its side: each column is a record
    record_lines: bool = False  # a record is several lines, a name and a value on each
    sheet_name: str | None = None  # what the name of a sheet says of its rows: "{patient_id}"
    file_name: str | None = None  # what the name of a file says of its rows: "chart-{patient_id}"
    # Headings of columns beside the fields: the clinic of a patient's number, the member's number in a family, the
    # quadrant of a tooth from 1 to 8, and what was credited.
    clinic: str | None = None
    dependant: str | None = None
    quadrant: tuple[str, ...] = ()  # one column, or that of the jaw and that of the side
    credit: str | None = None
    merged_into: str | None = None  # the number that stands for a patient's own now, where it was given up
    renamed: dict[str, str] = field(default_factory=dict)  # headings of older or other files to those of `columns`
    # What flags or words in a text make of a row: heading to pattern to a status or `reversal`; `doubts/standing.py`.
    status_from: dict[str, dict[str, str]] = field(default_factory=dict)
    # Notations of teeth by the text of a column or, under `(file)`, by the name of the file; see `two_notations.py`.
    tooth_notation_by: dict[str, dict[str, str]] = field(default_factory=dict)
    # How cells are meant that can mean two things; None asks. See `doubts`.
    swapped_dates: str | None = None
    late_stamps: str | None = None
    ditto_marks: str | None = None
    tooth_letter: str | None = None
    teeth_as_dates: str | None = None
    teeth_count_from: str | None = None
    year_begins: str | None = None  # the month in which the years of made dates begin, named after their end
    fee_unit: str | None = None
    months_count_from: str | None = None
    teeth_as_decimals: bool = False
    made: tuple[Made, ...] = ()  # fields made of columns: dates told as three headings, and the keys of `made_columns`


@dataclass(frozen=True)
class Analysis:
    """The numbers of the comparisons."""

    horizon_years: int = 5
    smallest_difference_per_100: float = 5.0
    min_at_risk: int = 10
    max_step_per_100: float = 5.0
    min_failures: int = 5
    min_stratum_failures: int = 5
    confidence: float = 0.95
    seed: int = 20250101
    choices_crowns: int = 10_000
    # Days for which a coded row counts for a crown or a course; `transforms.coded_details` gives the reasons.
    post_core_days: int = 180
    crown_lengthening_days: int = 365
    splint_days: int = 180
    perforation_days: int = 180
    film_3d_days: int = 180


LEAST_MEMORY_MB = 1000


@dataclass(frozen=True)
class Machine:
    """What the work may use of the machine."""

    memory_mb: int = 2000

    def memory_to_compare(self, teeth: int) -> int:
        """MB that all questions at once need for so many crowns and courses, measured: 2,500 bytes each and 400 MB."""
        return 400 + teeth * 2500 // 1_000_000

    def rows_linked_at_once(self) -> int:
        """Telling rows that linking can hold within the memory, measured: some 1,200 bytes each beside 700 MB."""
        return max(50_000, (self.memory_mb - 700) * 1_000_000 // 1200)


@dataclass(frozen=True)
class Evidence:
    """How others' figures are put beside ours; `questions.others_and_yours` gives the reasons.

    `contributions` are patterns, relative to the TOML's folder, of files that other practices gave for pooling.
    `members` is the list of the practices' key numbers (`pool.members`), and `unsigned` takes files that nobody signed.
    """

    contributions: tuple[str, ...] = ()
    members: str | None = None
    unsigned: bool = False
    vague_weight: float = 0.2
    between_shares: float = 0.5
    between_ratios: float = 0.5


@dataclass(frozen=True)
class Standards:
    """Addresses, as files of an open standard write them, that we do not know by ourselves.

    `tooth_systems` maps the address of a tooth numbering to universal, fdi or palmer; `code_systems` lists addresses
    of code lists whose codes are those of the practice's code system; `findings` maps `address|code` of an observation
    to pai, symptomatic or crown_in_place.
    """

    tooth_systems: dict[str, str] = field(default_factory=dict)
    code_systems: tuple[str, ...] = ()
    findings: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class NoteWords:
    """How the practice writes its chart notes.

    `naocl_stock_percent` is the strength of the hypochlorite as bought, by which "3:1" is read; None asks. `words`
    maps, per field, words of the practice to ours.
    """

    naocl_stock_percent: float | None = None
    words: dict[str, dict[str, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class Settings:
    """One practice's TOML. `codes` holds the changes under `[codes]`; `codes.read_overrides` reads them."""

    path: Path
    practice: Practice
    tables: dict[str, TableSource]
    rules: Rules = field(default_factory=Rules)
    analysis: Analysis = field(default_factory=Analysis)
    codes: dict[str, Any] = field(default_factory=dict)
    standards: Standards = field(default_factory=Standards)
    machine: Machine = field(default_factory=Machine)
    ask: tuple[Ask, ...] = ()
    evidence: Evidence = field(default_factory=Evidence)
    talk: Talk = field(default_factory=Talk)
    notes: NoteWords = field(default_factory=NoteWords)
    # What the practice's own report says of whole years; loading refuses what differs.
    control_totals: dict[int, dict[str, float]] = field(default_factory=dict)


def load_settings(path: Path) -> Settings:
    """Read PRACTICE.toml.

    Raises
    ------
    ConfigError
        If it is missing or no TOML, or a key, table, field, word or value in it is not known; the message names the
        key and the nearest that is known.
    """
    path = Path(path).resolve()
    text, raw = _read_toml(path)
    refuse_open_questions(text, file=path.name)
    _known(raw, [f.name for f in fields(Settings) if f.name != "path"], "the top level")
    tables = _section(raw, "tables")
    _known(tables, INPUT_TABLES, "[tables]")
    if "procedures" not in tables:
        raise ConfigError(f"{path.name}: [tables.procedures] is missing; it is the one table that is always needed.")
    overrides = _section(raw, "codes")
    codes.read_overrides(overrides)
    settings = Settings(
        path=path,
        practice=_practice(_section(raw, "practice"), path),
        tables={name: _table_source(name, tables[name]) for name in INPUT_TABLES if name in tables},
        rules=_rules(_section(raw, "rules")),
        analysis=_analysis(_section(raw, "analysis")),
        machine=_machine(_section(raw, "machine")),
        codes=overrides,
        standards=_standards(_section(raw, "standards")),
        ask=_asks(raw.get("ask", [])),
        evidence=_evidence(_section(raw, "evidence")),
        talk=read_talk(_section(raw, "talk"), text=text),
        notes=_note_words(_section(raw, "notes")),
        control_totals=_control_totals(_section(raw, "control_totals")),
    )
    code_table(settings)  # a word in the practice's own code list that is not ours stops here
    return settings


def _read_toml(path: Path) -> tuple[str, dict[str, Any]]:
    try:
        if not path.is_file():
            raise ConfigError(f"{path.name}: there is no such file that can be read.")
        if (size := path.stat().st_size) > LARGEST_TOML:
            raise ConfigError(
                f"{path.name} has {size / 1e6:,.0f} MB. A practice's settings are a page or two: is it another file?"
            )
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ConfigError(f"{path.name}: there is no such file that can be read.") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path.name} is not valid TOML: {error}.") from error
    try:
        raw = tomllib.loads(text)
        nul = _holds_nul(raw)
    except RecursionError as error:
        raise ConfigError(f"{path.name} is not valid TOML: brackets stand within brackets too often.") from error
    except ValueError as error:  # a number of too many digits is no error of TOML to the library
        raise ConfigError(f"{path.name} is not valid TOML: {error}.") from error
    if nul:
        raise ConfigError(f"{path.name}: \\u0000 stands in a text, which no name of a file or column can hold.")
    return text, raw


def _holds_nul(value: Any) -> bool:
    if isinstance(value, dict):
        return any("\0" in key or _holds_nul(item) for key, item in value.items())
    if isinstance(value, list):
        return any(map(_holds_nul, value))
    return isinstance(value, str) and "\0" in value


def matching_files(settings: Settings, table: str, *, corrected: bool = False) -> list[Path]:
    """The files of one table: in the order of its patterns, those of one pattern by name; each once.

    With `corrected`, the files of its mended rows.

    Raises
    ------
    ConfigError
        If a pattern matches nothing.
    """
    told = settings.tables[table]
    key, patterns = ("corrected", told.corrected) if corrected else ("files", told.files)
    return _matching(settings, patterns, f"[tables.{table}] {key}")


def contribution_files(settings: Settings) -> list[Path]:
    """The files of other practices under `[evidence]`, as `matching_files` finds those of a table."""
    return _matching(settings, settings.evidence.contributions, "[evidence] contributions")


def members_file(settings: Settings) -> Path:
    """The list of practices whose files are taken, under `[evidence]`."""
    named, allowed = settings.evidence.members or "", settings.practice.files_outside
    return inside(settings.path.parent, named, "[evidence] members", allowed=allowed)


def _matching(settings: Settings, patterns: Iterable[str], where: str) -> list[Path]:
    found: dict[Path, None] = {}
    folder, allowed = settings.path.parent, settings.practice.files_outside
    for pattern in patterns:
        refuse_outside(folder, folder / pattern, pattern, where, allowed=allowed)
        # A name may hold the signs of a pattern, as in "ledger [2020].csv".
        matches = [p for p in [settings.path.parent / pattern] if p.is_file()]
        if not matches and any(letter in pattern for letter in "*?["):
            matches = _matches(pattern, settings.path.parent, where=where)
        if not matches:
            raise ConfigError(
                f'{where}: nothing matches "{pattern}" in the folder of {settings.path.name}. '
                "Correct the name, or leave it out."
            )
        for match in matches:
            refuse_outside(folder, match.resolve(), pattern, where, allowed=allowed)  # a link
        found.update(dict.fromkeys(matches))
    return list(found)


def _matches(pattern: str, folder: Path, *, where: str) -> list[Path]:
    base = Path(pattern)
    root = Path(base.anchor) if base.is_absolute() else folder
    try:
        return sorted(p for p in root.glob(str(base.relative_to(base.anchor))) if p.is_file())
    except (ValueError, NotImplementedError) as error:
        raise ConfigError(f'{where}: "{pattern}" is no pattern: {error}.') from error


def _practice(raw: dict[str, Any], path: Path) -> Practice:
    _known(raw, [f.name for f in fields(Practice)], "[practice]")
    years = _century(raw, "[practice]")
    serials = _serial_dates(raw, "[practice]")
    accepted = _text_list(raw, "accepted", "[practice]", example=ACCEPTABLE[0])
    outside = _flag(raw, SETTING, "[practice]")
    others = ("two_digit_years_from", "serial_dates", "accepted", "film_readers", SETTING)
    plain = {k: v for k, v in raw.items() if k not in others}
    text = _text_map(plain, "[practice]")

    def place(key: str, named: str) -> Path:
        return inside(path.parent, named, f"[practice] {key}", allowed=outside)

    if "tooth_notation" not in text:
        raise ConfigError(f"[practice] tooth_notation is missing: {', '.join(NOTATIONS)}. It is never guessed.")
    system = text.get("code_system", "cdt")
    if system not in codes.BUILT_IN:
        listed = place("code_system", system)
        if not listed.is_file():
            near = _near(system, codes.BUILT_IN)
            built_in = ", ".join(codes.BUILT_IN)
            raise ConfigError(f'[practice] code_system = "{system}" is neither built in ({built_in}) nor a file.{near}')
        system = str(listed)
    return Practice(
        name=text.get("name", "The practice"),
        tooth_notation=_one_of(text["tooth_notation"], NOTATIONS, "[practice] tooth_notation"),
        database=place("database", text.get("database", "practice.duckdb")),
        code_system=system,
        date_format=_date_format(text.get("date_format", "auto"), "[practice]"),
        crown_date=_one_of(text.get("crown_date", "seat"), CROWN_DATES, "[practice] crown_date"),
        two_digit_years_from=years,
        serial_dates=serials,
        root_canals_elsewhere=_one_of(
            text.get("root_canals_elsewhere", "unknown"), ROOT_CANALS_ELSEWHERE, "[practice] root_canals_elsewhere"
        ),
        key_file=place("key_file", text["key_file"]) if "key_file" in text else None,
        signing_key_file=place("signing_key_file", text["signing_key_file"]) if "signing_key_file" in text else None,
        files_outside=outside,
        patient_ids=_one_of(text["patient_ids"], PATIENT_IDS, "[practice] patient_ids")
        if "patient_ids" in text
        else None,
        numbering=_one_of(text["numbering"], NUMBERINGS, "[practice] numbering") if "numbering" in text else None,
        accepted=tuple(_one_of(word, ACCEPTABLE, "[practice] accepted") for word in accepted),
        film_readers=_text_list(raw, "film_readers", "[practice]", example="Dr Ekholm"),
        time_zone=_time_zone(text.get("time_zone")),
    )


def _time_zone(name: str | None) -> str | None:
    if name is not None and not is_zone(name):
        raise ConfigError(
            f'[practice] time_zone = "{name}" is no time zone that is known. Write its name with continent and city, '
            "such as America/Los_Angeles or Australia/Sydney."
        )
    return name


def _table_source(name: str, raw: Any) -> TableSource:
    where = f"[tables.{name}]"
    if not isinstance(raw, dict):
        raise ConfigError(f"{where} must be a table of its own.")
    _known(raw, [*(f.name for f in fields(TableSource) if f.name not in ("name", "made")), *KEYS], where)
    files = _text_list(raw, "files", where, example=f"exports/{name}-*.csv")
    if not files:
        raise ConfigError(f'{where} files must be a list of file names or patterns, e.g. ["exports/{name}-*.csv"].')
    known = [c for c in INPUT_TABLES[name].columns if c not in DERIVED_FIELDS]
    columns = _section(raw, "columns", where)
    _known(columns, known, f"{where} columns")
    parts = date_parts(columns, name, where)
    firsts = first_filled(columns, parts, where)
    columns = _text_map({f: h for f, h in columns.items() if f not in {*parts, *firsts}}, f"{where} columns")
    values = _section(raw, "values", where)
    _known(values, known, f"{where} values")
    plain = {k: raw[k] for k in ("date_format", "delimiter", "encoding", *BESIDE, *CELL_WORDS) if k in raw}
    extras: dict[str, Any] = dict(_text_map(plain, where))
    for key in (k for k in CELL_WORDS if k in extras):
        _one_of(extras[key], CELL_WORDS[key], f"{where} {key}")
    if not isinstance(raw.get("teeth_as_decimals", False), bool):
        raise ConfigError(f"{where} teeth_as_decimals must be true or false.")
    if "date_format" in extras:
        _date_format(extras["date_format"], where)
    if len(extras.get("delimiter", ",")) != 1 or extras.get("delimiter") in ('"', "\n", "\r"):
        raise ConfigError(f"{where} delimiter must be one character that is neither a quotation mark nor a line end.")
    if "encoding" in extras:
        checked_encoding(extras["encoding"], where)
    layout = _layout(name, raw, where, known)
    made = made_of(raw, columns, parts, firsts, where)
    return TableSource(
        name=name,
        files=files,
        corrected=_text_list(raw, "corrected", where, example=f"corrected/{name}-*.csv"),
        header_row=int(_number(raw, "header_row", where, whole=True, low=0)) if "header_row" in raw else None,
        sheets=_text_list(raw, "sheets", where, example="Ledger"),
        two_digit_years_from=_century(raw, where),
        serial_dates=_serial_dates(raw, where),
        decimal=_one_of(raw["decimal"], DECIMAL_SIGNS, f"{where} decimal") if "decimal" in raw else None,
        teeth_as_decimals=raw.get("teeth_as_decimals", False),
        columns={f: h for f, h in columns.items() if f not in {one.field for one in made}},
        quadrant=_quadrant(raw, where),
        made=made,
        status_from=_status_from(name, raw, where),
        tooth_notation_by={
            heading.strip(): {
                text: _one_of(notation, NOTATIONS_BY, f'{where} tooth_notation_by."{heading}"')
                for text, notation in _text_map(of, f'{where} tooth_notation_by."{heading}"').items()
            }
            for heading, of in _section(raw, "tooth_notation_by", where).items()
        },
        renamed=_renamed(raw, columns, where),
        values={f: _value_map(name, f, _text_map(m, f"{where} values.{f}")) for f, m in values.items()},
        **extras,
        **layout,
    )


def _quadrant(raw: Mapping[str, Any], where: str) -> tuple[str, ...]:
    headings = _text_list(raw, "quadrant", where, example="Quad")
    if len(headings) > 2:
        raise ConfigError(f'{where} quadrant must be one heading, or those of jaw and side: ["Arch", "Side"].')
    return tuple(h.strip() for h in headings)


def _status_from(name: str, raw: Mapping[str, Any], where: str) -> dict[str, dict[str, str]]:
    given = _section(raw, "status_from", where)
    if given and name != "procedures":
        raise ConfigError(f"{where} status_from is of the procedures only: take it out here.")
    marks = {}
    for heading, made in given.items():
        place = f'{where} status_from."{heading}"'
        marks[heading.strip()] = {p: _one_of(word, STATUS_WORDS, place) for p, word in _text_map(made, place).items()}
    return marks


def _renamed(raw: Mapping[str, Any], columns: Mapping[str, str], where: str) -> dict[str, str]:
    renamed = {
        h.strip(): new.strip() for h, new in _text_map(_section(raw, "renamed", where), f"{where} renamed").items()
    }
    used = {h.strip() for h in columns.values()}
    for heading, new in renamed.items():
        if new not in used:
            raise ConfigError(f'{where} renamed: "{heading}" is read as "{new}", which no line of columns names.')
        if heading in used:
            raise ConfigError(
                f'{where} renamed: "{heading}" is named by columns itself. Take it out of one of the two.'
            )
    return renamed


def _layout(name: str, raw: Mapping[str, Any], where: str, known: list[str]) -> dict[str, Any]:
    """What a table says of how its files are laid out."""
    fill = _text_list(raw, "fill_down", where, example="patient_id")
    _known(fill, known, f"{where} fill_down")
    lines = _text_list(raw, "group_lines", where, example="Patient: {patient_id} {*}")
    read_templates(lines, known, where=where)
    starts = raw.get("fixed_width", [])
    if (
        not isinstance(starts, list)
        or not all(type(n) is int and n >= 1 for n in starts)
        or starts != sorted(set(starts))
    ):
        raise ConfigError(f"{where} fixed_width must list the places where fields begin, from 1, e.g. [1, 9, 20, 28].")
    if starts and len(starts) < 2:
        raise ConfigError(f"{where} fixed_width names one place: a table has at least two columns.")
    stacked = raw.get("stacked_tables", False)
    if not isinstance(stacked, bool):
        raise ConfigError(f"{where} stacked_tables must be true or false, without quotation marks.")
    if stacked and "header_row" in raw:
        raise ConfigError(f"{where} stacked_tables finds the headings of each table: take header_row out.")
    loose = _text_list(raw, "loose_columns", where, example="Patient name")
    for key in ("transposed", "record_lines"):
        if not isinstance(raw.get(key, False), bool):
            raise ConfigError(f"{where} {key} must be true or false, without quotation marks.")
    names = _text_map({key: raw[key] for key in ("sheet_name", "file_name") if key in raw}, where)
    for key, form in names.items():
        read_templates([form], known, where=where, key=key)
    return {
        **names,
        "repeated_columns": _repeated_columns(raw, where),
        "cell_lists": _text_list(raw, "cell_lists", where, example="Codes"),
        "transposed": raw.get("transposed", False),
        "record_lines": raw.get("record_lines", False),
        "fill_down": fill,
        "group_lines": lines,
        "loose_columns": loose,
        "fixed_width": tuple(starts),
        "stacked_tables": stacked,
    }


def _repeated_columns(raw: Mapping[str, Any], where: str) -> tuple[tuple[str, ...], ...]:
    given = raw.get("repeated_columns", [])
    example = '[["Proc1", "Tooth1"], ["Proc2", "Tooth2"]]'
    texts = isinstance(given, list) and all(
        isinstance(one, list) and one and all(isinstance(h, str) and h for h in one) for one in given
    )
    if not texts or len(given) == 1 or len({len(one) for one in given}) > 1:
        raise ConfigError(f"{where} repeated_columns must list two sets of columns or more, e.g. {example}.")
    every = [h.strip() for one in given for h in one]
    if twice := [h for h in every if every.count(h) > 1]:
        raise ConfigError(f'{where} repeated_columns names "{twice[0]}" twice.')
    return tuple(tuple(h.strip() for h in one) for one in given)


def _value_map(table: str, name: str, given: dict[str, str]) -> dict[str, str]:
    words = map_words(table, name)
    met: dict[str, str] = {}
    for source, word in given.items():
        if word and words is not None and word not in words:
            raise ConfigError(
                f'[tables.{table}] values.{name}: "{source}" is mapped to "{word}", which is none of '
                f"{', '.join(words)}.{_near(word, words)}"
            )
        if met.setdefault(normal_word(source), word) != word:
            raise ConfigError(
                f'[tables.{table}] values.{name}: "{source}" is mapped twice, to different words; case, blanks and '
                "hyphens do not tell words apart. Keep one."
            )
    return given


def _rules(raw: dict[str, Any]) -> Rules:
    _known(raw, [f.name for f in fields(Rules)], "[rules]")
    numbers = {k: _number(raw, k, "[rules]", whole=True, low=0) for k in raw if k != "data_cutoff"}
    return Rules(**numbers, data_cutoff=_cutoff(raw.get("data_cutoff")))  # type: ignore[arg-type]


def _analysis(raw: dict[str, Any]) -> Analysis:
    _known(raw, [f.name for f in fields(Analysis)], "[analysis]")
    whole = {f.name for f in fields(Analysis) if isinstance(f.default, int)}
    found = {k: _number(raw, k, "[analysis]", whole=k in whole, low=0) for k in raw}
    analysis = Analysis(**found)  # type: ignore[arg-type]
    if not 0.5 <= analysis.confidence < 1:
        raise ConfigError("[analysis] confidence must lie between 0.5 and 1, e.g. 0.95.")
    if analysis.horizon_years < 1:
        raise ConfigError("[analysis] horizon_years must be at least 1.")
    if analysis.choices_crowns < 1:
        raise ConfigError("[analysis] choices_crowns must be at least 1.")
    return analysis


def _evidence(raw: dict[str, Any]) -> Evidence:
    where = "[evidence]"
    _known(raw, [f.name for f in fields(Evidence)], where)
    other = ("contributions", "members", "unsigned")
    numbers = {k: _number(raw, k, where, whole=False, low=0) for k in raw if k not in other}
    files = _text_list(raw, "contributions", where, example="club/contribution-*.json")
    members = _text_map({k: raw[k] for k in ("members",) if k in raw}, where).get("members")
    evidence = Evidence(contributions=files, members=members, unsigned=_flag(raw, "unsigned", where), **numbers)
    if not 0 < evidence.vague_weight < 1:
        raise ConfigError(f"{where} vague_weight must lie between 0 and 1, e.g. 0.2.")
    for key in ("between_shares", "between_ratios"):
        if not 0.01 <= getattr(evidence, key) <= 5:
            raise ConfigError(f"{where} {key} must lie between 0.01 and 5, e.g. 0.5.")
    return evidence


def _machine(raw: dict[str, Any]) -> Machine:
    _known(raw, [f.name for f in fields(Machine)], "[machine]")
    machine = Machine(**{k: int(_number(raw, k, "[machine]", whole=True, low=0)) for k in raw})
    if machine.memory_mb < LEAST_MEMORY_MB:
        raise ConfigError(f"[machine] memory_mb must be at least {LEAST_MEMORY_MB}.")
    return machine


def _standards(raw: dict[str, Any]) -> Standards:
    _known(raw, [f.name for f in fields(Standards)], "[standards]")
    systems = _text_map(_section(raw, "tooth_systems", "[standards]"), "[standards] tooth_systems")
    for address, notation in systems.items():
        _one_of(notation, NOTATIONS, f'[standards] tooth_systems "{address}"')
    findings = _text_map(_section(raw, "findings", "[standards]"), "[standards] findings")
    for code, word in findings.items():
        _one_of(word, ("pai", "symptomatic", "crown_in_place"), f'[standards] findings "{code}"')
    return Standards(systems, _text_list(raw, "code_systems", "[standards]", example="urn:our-code-list"), findings)


def _note_words(raw: dict[str, Any]) -> NoteWords:
    where = "[notes]"
    _known(raw, [f.name for f in fields(NoteWords)], where)
    stock = _number(raw, "naocl_stock_percent", where, whole=False, low=0) if "naocl_stock_percent" in raw else None
    if stock is not None and not 0.5 <= stock <= RANGES["naocl_percent"][1]:
        raise ConfigError(f"{where} naocl_stock_percent must lie between 0.5 and {RANGES['naocl_percent'][1]:g}.")
    words: dict[str, dict[str, str]] = {}
    of_table = {f: t for t in DETAIL_TABLES for f in INPUT_TABLES[t].columns if f not in DERIVED_FIELDS}
    for name, given in _section(raw, "words", where).items():
        known = [f for f, t in of_table.items() if f in NOTE_FIELDS]
        _known([name], known, f"{where} words")
        words[name] = _text_map(given, f"{where} words.{name}")
        column = INPUT_TABLES[of_table[name]].columns[name]
        usual = column.words or column.usual or tuple(FLAG_WORDS) * (column.dtype == pl.Boolean())
        for phrase, word in words[name].items():
            if not phrase.strip():
                raise ConfigError(f"{where} words.{name}: a word of the practice is empty.")
            if usual:
                _one_of(word, usual, f'{where} words.{name} "{phrase}"')
    return NoteWords(stock, words)


def _asks(raw: Any) -> tuple[Ask, ...]:
    if not isinstance(raw, list) or not all(isinstance(one, dict) for one in raw):
        raise ConfigError("Each question is a table of its own: [[ask]].")
    return tuple(read_ask(one, where=f"[[ask]] {n}:") for n, one in enumerate(raw, 1))


def _control_totals(raw: Mapping[str, Any]) -> dict[int, dict[str, float]]:
    found: dict[int, dict[str, float]] = {}
    for year in raw:
        where = f"[control_totals] {year}"
        if not re.fullmatch(r"(19|20)\d\d", year):
            raise ConfigError(f"{where} is no year: write 2023 = {{ crowns = 412 }}.")
        told = _section(raw, year, "[control_totals]")
        _known(told, TOTALS, where)
        found[int(year)] = {name: _number(told, name, where, whole=name != "fees", low=0) for name in told}
    return found


def _flag(raw: Mapping[str, Any], key: str, where: str) -> bool:
    if not isinstance(value := raw.get(key, False), bool):
        raise ConfigError(f"{where} {key} must be true or false, without quotation marks.")
    return value


def _century(raw: Mapping[str, Any], where: str) -> int | None:
    if "two_digit_years_from" not in raw:
        return None
    year = int(_number(raw, "two_digit_years_from", where, whole=True, low=0))
    if not 1880 <= year <= 2000:
        raise ConfigError(f"{where} two_digit_years_from must be a year from 1880 to 2000: 1950 reads 50 as 1950.")
    return year


def _serial_dates(raw: Mapping[str, Any], where: str) -> str | None:
    return _one_of(str(raw["serial_dates"]), SERIAL_DATES, f"{where} serial_dates") if "serial_dates" in raw else None


def _text_list(raw: Mapping[str, Any], key: str, where: str, *, example: str) -> tuple[str, ...]:
    value = raw.get(key, [])
    value = [value] if isinstance(value, str) else value
    if not isinstance(value, list) or not all(isinstance(item, str) and item for item in value):
        raise ConfigError(f'{where} {key} must be a list of texts, e.g. ["{example}"].')
    return tuple(value)


def _cutoff(value: Any) -> dt.date | None:
    if value is None or (isinstance(value, dt.date) and not isinstance(value, dt.datetime)):
        return value
    try:
        return dt.date.fromisoformat(value)
    except (TypeError, ValueError) as error:
        raise ConfigError("[rules] data_cutoff must be a date, e.g. 2025-12-31.") from error


def _date_format(pattern: str, where: str) -> str:
    if pattern == "auto":
        return pattern
    day = dt.datetime(2021, 11, 23, tzinfo=dt.UTC)
    try:
        read = dt.datetime.strptime(day.strftime(pattern), pattern)  # noqa: DTZ007
    except (ValueError, re.error):  # the library makes a pattern of its own of it, which may fail
        read = None
    if read is None or read.date() != day.date():
        raise ConfigError(
            f'{where} date_format = "{pattern}" does not fix year, month and day. Write auto, or a pattern such as '
            '"%m/%d/%Y" (month first), "%d.%m.%Y" (day first) or "%Y-%m-%d".'
        )
    return pattern


def checked_encoding(name: str, where: str) -> None:
    """Refuse (`ConfigError`) the name of an encoding that is none."""
    try:
        "".encode(name)
    except LookupError as error:
        raise ConfigError(
            f'{where} encoding = "{name}" is not known. Common ones: utf-8, windows-1252, utf-16.'
        ) from error


def _section(raw: Mapping[str, Any], key: str, where: str = "") -> dict[str, Any]:
    value = raw.get(key, {})
    if not isinstance(value, dict):
        raise ConfigError(f"{where} {key} must be a table of its own.".strip())
    return value


def _text_map(raw: Any, where: str) -> dict[str, str]:
    """Text values; true and false are taken as the words."""
    if not isinstance(raw, dict):
        raise ConfigError(f"{where} must map names to texts.")
    found = {k: str(v).lower() if isinstance(v, bool) else v for k, v in raw.items()}
    for key, value in found.items():
        if not isinstance(value, str):
            raise ConfigError(f"{where} {key} must be a text in quotation marks.")
    return found


def _number(raw: Mapping[str, Any], key: str, where: str, *, whole: bool, low: float) -> float:
    value = raw[key]
    is_number = isinstance(value, int) or (isinstance(value, float) and not whole)
    if isinstance(value, bool) or not is_number or not low <= value < float("inf"):
        raise ConfigError(f"{where} {key} must be a {'whole number' if whole else 'number'} of {low:g} or more.")
    if value > (high := next((most for ending, most in LARGEST.items() if key.endswith(ending)), LARGEST[""])):
        raise ConfigError(f"{where} {key} must not be above {high:,}.")
    return int(value) if whole else float(value)


def _one_of(value: str, words: Iterable[str], where: str) -> str:
    if value not in (known := list(words)):
        raise ConfigError(f'{where} = "{value}" is none of {", ".join(known)}.{_near(value, known)}')
    return value


def _known(given: Iterable[str], known: Iterable[str], where: str) -> None:
    known = list(known)
    for key in given:
        if key not in known:
            raise ConfigError(f'"{key}" is not known in {where}.{_near(key, known) or f" Known: {_list(known)}."}')


def _near(word: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f' Did you mean "{near[0]}"?' if near else ""


_list: Callable[[list[str]], str] = ", ".join


def code_table(settings: Settings) -> pl.DataFrame:
    """The practice's codes: its code system, with the changes under `[codes]` of its TOML.

    One row per code: `code`; `event`, a word of `EVENTS`; `detail`, a word of `DETAILS` for that event where the number
    says it, else null. A code whose event is changed loses the list's detail, unless the change names one.
    """
    system = settings.practice.code_system
    base = codes.built_in(system) if system in codes.BUILT_IN else codes.read_code_file(Path(system))
    return codes.with_overrides(base, codes.read_overrides(settings.codes), system=system)
