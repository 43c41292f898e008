"""PRACTICE.toml, read once into the dataclasses of `practice.settings`, which declare it."""

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.machine.declared import known, near, number, one_of, read_settings, section, text_map
from pipeline.machine.errors import ConfigError
from pipeline.machine.inside_folder import SETTING, inside, refuse_outside
from pipeline.practice import codes
from pipeline.practice.fields import DERIVED_FIELDS, FLAG_WORDS, NOTE_FIELDS, map_words, normal_word
from pipeline.practice.own_question import Ask, read_ask
from pipeline.practice.settings import (
    TOTALS,
    UNWRITTEN,
    AnalysisSettings,
    Evidence,
    Machine,
    NoteWords,
    Practice,
    Rules,
    Settings,
    Standards,
)
from pipeline.practice.table_settings import Join, TableSource
from pipeline.practice.tables import DETAIL_TABLES, INPUT_TABLES
from pipeline.practice.talk import read_talk
from pipeline.practice.teeth import NOTATIONS
from pipeline.reading.open_questions import refuse_open_questions
from pipeline.reading.sources.group_lines import read_templates
from pipeline.reading.sources.joined import joins_of
from pipeline.reading.sources.made_columns import KEYS, date_parts, first_filled, made_of
from pipeline.transforms.other_days import is_zone

LARGEST_TOML = 5_000_000


def load_settings(path: Path) -> Settings:
    """Read PRACTICE.toml. Raises ConfigError if it is missing or no TOML, or a key, table, field, word or value in it
    is not known; the message names the key and the nearest that is known."""
    path = Path(path).resolve()
    text, raw = _read_toml(path)
    refuse_open_questions(text, file=path.name)
    known(raw, [f.name for f in fields(Settings) if f.name != "path"], "the top level")
    tables = section(raw, "tables")
    known(tables, INPUT_TABLES, "[tables]")
    if "procedures" not in tables:
        raise ConfigError(f"{path.name}: [tables.procedures] is missing; it is the one table that is always needed.")
    overrides = section(raw, "codes")
    codes.read_overrides(overrides)
    settings = Settings(
        path=path,
        practice=_practice(section(raw, "practice"), path),
        tables={name: _table_source(name, tables[name]) for name in INPUT_TABLES if name in tables},
        rules=read_settings(Rules, section(raw, "rules"), "[rules]"),
        analysis=read_settings(AnalysisSettings, section(raw, "analysis"), "[analysis]"),
        machine=read_settings(Machine, section(raw, "machine"), "[machine]"),
        codes=overrides,
        standards=read_settings(Standards, section(raw, "standards"), "[standards]"),
        ask=_asks(raw.get("ask", [])),
        evidence=read_settings(Evidence, section(raw, "evidence"), "[evidence]"),
        talk=read_talk(section(raw, "talk"), text=text),
        notes=_note_words(section(raw, "notes")),
        control_totals=_control_totals(section(raw, "control_totals")),
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
    """The files of one table: in the order of its patterns, those of one pattern by name; each once. With `corrected`,
    the files of its mended rows. Raises ConfigError if a pattern matches nothing."""
    told = settings.tables[table]
    key, patterns = ("corrected", told.corrected) if corrected else ("files", told.files)
    return _matching(settings, patterns, f"[tables.{table}] {key}")


def joined_lists(settings: Settings, table: str) -> tuple[Join, ...]:
    """The lists whose columns stand on the rows of a table, each by its path. Raises ConfigError if one is not
    there."""
    where = f"[tables.{table}] joined"
    found = []
    for join in settings.tables[table].joined:
        (path,) = _matching(settings, (join.file,), where)[:1]
        found.append(replace(join, file=str(path)))
    return tuple(found)


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


_PLACES = ("database", "key_file", "signing_key_file")


def _practice(raw: dict[str, Any], path: Path) -> Practice:
    where = "[practice]"
    outside = raw.get(SETTING) is True
    text = text_map({key: raw[key] for key in ("code_system", "time_zone", *_PLACES) if key in raw}, where)

    def place(key: str, named: str) -> Path:
        return inside(path.parent, named, f"{where} {key}", allowed=outside)

    if "tooth_notation" not in raw:
        raise ConfigError(f"{where} tooth_notation is missing: {', '.join(NOTATIONS)}. It is never guessed.")
    made: dict[str, Any] = {key: place(key, text[key]) for key in _PLACES if key in text}
    if (system := text.get("code_system", "cdt")) not in codes.BUILT_IN:
        listed = made["code_system"] = place("code_system", system)
        if not listed.is_file():
            built_in = ", ".join(codes.BUILT_IN)
            raise ConfigError(
                f'{where} code_system = "{system}" is neither built in ({built_in}) nor a file.'
                f"{near(system, codes.BUILT_IN)}"
            )
        made["code_system"] = str(listed)
    if not is_zone(zone := text.get("time_zone", "UTC")):
        raise ConfigError(
            f'{where} time_zone = "{zone}" is no time zone that is known. Write its name with continent and city, '
            "such as America/Los_Angeles or Australia/Sydney."
        )
    made.setdefault("database", place("database", UNWRITTEN["database"]))
    return read_settings(Practice, {"name": UNWRITTEN["name"], **raw}, where, **made)


def _table_source(name: str, raw: Any) -> TableSource:
    where = f"[tables.{name}]"
    if not isinstance(raw, dict):
        raise ConfigError(f"{where} must be a table of its own.")
    fields_of = [c for c in INPUT_TABLES[name].columns if c not in DERIVED_FIELDS]
    columns, values = section(raw, "columns", where), section(raw, "values", where)
    known(columns, fields_of, f"{where} columns")
    known(values, fields_of, f"{where} values")
    parts = date_parts(columns, name, where)
    firsts = first_filled(columns, parts, where)
    columns = text_map({f: h for f, h in columns.items() if f not in {*parts, *firsts}}, f"{where} columns")
    made = made_of(raw, columns, parts, firsts, where)
    told = read_settings(
        TableSource,
        {"files": [], **raw},
        where,
        also=(*KEYS, "joined"),
        name=name,
        columns={f: h for f, h in columns.items() if f not in {one.field for one in made}},
        values={f: _value_map(name, f, text_map(m, f"{where} values.{f}")) for f, m in values.items()},
        joined=joins_of(raw, where),
        renamed=_renamed(raw, columns, where),
        made=made,
    )
    if not told.files:
        raise ConfigError(f'{where} files must be a list of file names or patterns, e.g. ["exports/{name}-*.csv"].')
    if told.status_from and name != "procedures":
        raise ConfigError(f"{where} status_from is of the procedures only: take it out here.")
    if told.code_from and name != "procedures":
        raise ConfigError(f"{where} code_from is of the procedures only: take it out here.")
    if told.stacked_tables and told.header_row is not None:
        raise ConfigError(f"{where} stacked_tables finds the headings of each table: take header_row out.")
    known(told.fill_down, fields_of, f"{where} fill_down")
    read_templates(told.group_lines, fields_of, where=where)
    for key in ("sheet_name", "file_name"):
        if (form := getattr(told, key)) is not None:
            read_templates([form], fields_of, where=where, key=key)
    return told


def _value_map(table: str, name: str, given: dict[str, str]) -> dict[str, str]:
    words = map_words(table, name)
    met: dict[str, str] = {}
    if name == "tooth":  # JF* is UR, that is UR*
        given = {s: f"{w}*" if "*" in s and w.upper() in ("UR", "UL", "LL", "LR") else w for s, w in given.items()}
    for source, word in given.items():
        if word and words is not None and word not in words:
            raise ConfigError(
                f'[tables.{table}] values.{name}: "{source}" is mapped to "{word}", which is none of '
                f"{', '.join(words)}.{near(word, words)}"
            )
        if met.setdefault(normal_word(source), word) != word:
            raise ConfigError(
                f'[tables.{table}] values.{name}: "{source}" is mapped twice, to different words; case, blanks and '
                "hyphens do not tell words apart. Keep one."
            )
    return given


def _renamed(raw: Mapping[str, Any], columns: Mapping[str, str], where: str) -> dict[str, str]:
    renamed = {
        h.strip(): new.strip() for h, new in text_map(section(raw, "renamed", where), f"{where} renamed").items()
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


def _note_words(raw: dict[str, Any]) -> NoteWords:
    where = "[notes]"
    told = read_settings(NoteWords, raw, where)
    of_table = {f: t for t in DETAIL_TABLES for f in INPUT_TABLES[t].columns if f not in DERIVED_FIELDS}
    for name, words in told.words.items():
        known([name], [f for f in of_table if f in NOTE_FIELDS], f"{where} words")
        column = INPUT_TABLES[of_table[name]].columns[name]
        usual = column.words or column.usual or tuple(FLAG_WORDS) * (column.dtype == pl.Boolean())
        for phrase, word in words.items():
            if not phrase.strip():
                raise ConfigError(f"{where} words.{name}: a word of the practice is empty.")
            if usual:
                one_of(word, usual, f'{where} words.{name} "{phrase}"')
    return told


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
        told = section(raw, year, "[control_totals]")
        known(told, TOTALS, where)
        found[int(year)] = {name: number(told, name, where, whole=name != "fees", low=0) for name in told}
    return found


def code_table(settings: Settings) -> pl.DataFrame:
    """The practice's codes: its code system, with the changes under `[codes]` of its TOML. One row per code: `code`;
    `event`, a word of `EVENTS`; `detail`, a word of `DETAILS` for that event where the number says it, else null. A
    code whose event is changed loses the list's detail, unless the change names one."""
    system = settings.practice.code_system
    base = codes.built_in(system) if system in codes.BUILT_IN else codes.read_code_file(Path(system))
    table = codes.with_overrides(base, codes.read_overrides(settings.codes), system=system)
    ends = {w for of in settings.tables["procedures"].code_from.values() for w in of.values() if "*" in w}
    own = pl.col("code")
    for before, _, behind in (end.partition("*") for end in sorted(ends)):
        name = codes.normalise_code(pl.concat_str(pl.lit(before), own, pl.lit(behind)), system=system)
        table = pl.concat([table, base.with_columns(name.alias("code")).join(table, on="code", how="anti")])
    told = {word: word for of in settings.tables["procedures"].code_from.values() for word in of.values()}
    events = codes.read_overrides({w: w for w in told if w in codes.EVENTS or w in codes.ALIASES})
    return codes.with_overrides(table, {w: e for w, e in events.items() if w not in settings.codes}, system=system)
