"""Procedure codes and what each stands for, in words of our own.

Four lists are built in: `cdt` (used in the United States), `ada_au` (the Australian schedule), `de` (BEMA and GOZ,
Germany) and `nl` (the list of the Nederlandse Zorgautoriteit, the Netherlands, old and present numbers).
`data/codes.csv` holds the numbers, our own short description and how each was checked; it holds no text of any
publisher. A practice may bring its own list instead, and change any code in PRACTICE.toml.

Some numbers say more than what was done: the material of a crown, one surface of a filling, the kind of tooth. That is
the `detail` of a code; `DETAILS` says which events have one and in which words.

In a practice's own list and under `[codes]` the plain words of `ALIASES` are understood besides those of `EVENTS`.
"""

import csv
import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.machine.errors import ConfigError
from pipeline.practice.tables import CORES, MATERIALS

ASK = "ask"  # an event of a practice's own list that is not yet told
_MOST_TOLD = 12
SCHEMA: dict[str, pl.DataType] = {"code": pl.String(), "event": pl.String(), "detail": pl.String()}

# What a code may stand for (`data/events.csv`): done to `one` tooth or to the place of one, so that a row without the
# tooth says nothing; to `some`, of which it may name one and need not; or to `none`. `also` are plain words for it.
_EVENTS = data_rows("events")
EVENTS: dict[str, str] = {row["event"]: row["about"] for row in _EVENTS}
TOOTH_LEVEL = frozenset(row["event"] for row in _EVENTS if row["teeth"] == "one")
TOOTH_OPTIONAL = frozenset(row["event"] for row in _EVENTS if row["teeth"] == "some")
ALIASES: dict[str, str] = {word: row["event"] for row in _EVENTS for word in row["also"].split("|") if word}
# Of a field of the ledger that most rows cannot hold: the events whose rows can. A cleaning has no tooth.
COULD_HOLD = {
    "tooth": TOOTH_LEVEL,
    "tooth_fdi": TOOTH_LEVEL,
    "surface": frozenset({"direct_restoration", "interim_filling", "inlay", "onlay"}),
    "reason": frozenset({"extraction", "extraction_impacted", "extraction_primary"}),
}

TOOTH_CLASSES = ("anterior", "premolar", "molar")
POSTS = ("cast", "prefabricated", "fiber")
# What the detail of a code may be, by its kind; an event without one has none. Only crowns and their kin have a
# material: what the number of a filling, a post or a root canal says can never be read as one.
_KINDS = {
    "material": MATERIALS,
    "post": POSTS,
    "core": tuple(core for core in CORES if core != "none"),
    "surface": ("one_surface",),
    "tooth_class": TOOTH_CLASSES,
}
DETAILS: dict[str, tuple[str, ...]] = {row["event"]: _KINDS[row["detail"]] for row in _EVENTS if row["detail"]}
_ANY_DETAIL = tuple(dict.fromkeys(word for words in _KINDS.values() for word in words))


@dataclass(frozen=True)
class Override:
    """A change under `[codes]`: what a code stands for (None: as the list has it) and the detail that it says."""

    event: str | None
    detail: str | None = None


@cache
def built_in(system: str) -> pl.DataFrame:
    """One of the lists that come with the package: `code, event, detail`, one row per code."""
    rows = [{name: row[name] or None for name in SCHEMA} for row in data_rows("codes") if row["system"] == system]
    return pl.DataFrame(rows, schema=SCHEMA)


BUILT_IN: tuple[str, ...] = tuple(dict.fromkeys(row["system"] for row in data_rows("codes")))


def read_code_file(path: Path) -> pl.DataFrame:
    """A practice's own list: a CSV with the headings code, event and, if wanted, detail.

    Raises ConfigError if the file is missing, lacks a heading, names a code twice, or has a word that is not ours or a
    detail that its event cannot have.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.DictReader(stream))
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"code_system: {path.name} cannot be read as a UTF-8 CSV file.") from error
    if not rows or not {"code", "event"} <= rows[0].keys():
        raise ConfigError(f"code_system: {path.name} needs the headings code,event (and detail, if you like) and rows.")
    _refuse_open(rows, path.name)
    found = [_row(row, where=f"{path.name}, row {n}") for n, row in enumerate(rows, 1)]
    table = pl.DataFrame(found, schema=SCHEMA)
    if n := table["code"].is_duplicated().sum() or table.filter(pl.col("code") == "").height:
        raise ConfigError(
            f"code_system: {path.name} has {n} rows whose code is empty or there twice. Keep one of each."
        )
    return table


def _refuse_open(rows: Sequence[Mapping[str, str | None]], file: str) -> None:
    if not (asked := [n for n, row in enumerate(rows, 1) if _snake(row["event"] or "") == ASK]):
        return
    codes = ", ".join(normal_own_code(rows[n - 1]["code"] or "") for n in asked[:_MOST_TOLD])
    more = f" and {len(asked) - _MOST_TOLD} more" if len(asked) > _MOST_TOLD else ""
    raise ConfigError(
        f'{file}: {len(asked)} of {len(rows)} codes still say "{ASK}": {codes}{more}.\n'
        "  Open it and put in the column event what each code stands for: crown, root_canal, retreatment, extraction, "
        "core, post, filling, exam, recall_hygiene, radiograph, other (a contact and nothing more) and the like."
    )


def read_overrides(raw: Mapping[str, object]) -> dict[str, Override]:
    """The changes under `[codes]`: `D2740 = "crown"` or `D2740 = { event = "crown", material = "zirconia" }`.

    `detail` says what `material` says, and is for events other than crowns too: `{ event = "post", detail = "fiber" }`.
    A detail alone leaves the event as the code list has it.

    Raises ConfigError if an entry has another form, or a word in it is not ours.
    """
    return {code: _override(said, where=f"[codes] {code}") for code, said in raw.items()}


def with_overrides(table: pl.DataFrame, overrides: Mapping[str, Override], *, system: str) -> pl.DataFrame:
    """`table` with the changes of `overrides` (code to change) put over it; new codes are added.

    Raises ConfigError if a code is there twice in different spellings, an unknown code is given a detail and no event,
    or a detail is none that the event can have.
    """
    if not overrides:
        return table
    rows = [(code, change.event, change.detail) for code, change in overrides.items()]
    new = pl.DataFrame(rows, schema=SCHEMA, orient="row").with_columns(normalise_code(pl.col("code"), system=system))
    if twice := new.filter(pl.col("code").is_duplicated())["code"].unique().sort().to_list():
        raise ConfigError(f"[codes] names {', '.join(twice)} twice, in different spellings. Keep one of each.")
    new = new.join(table, on="code", how="left", suffix="_listed").with_columns(pl.coalesce("event", "event_listed"))
    if nameless := new.filter(pl.col("event").is_null())["code"].sort().to_list():
        raise ConfigError(
            f"[codes] {', '.join(nameless)}: not in the code list, so it needs an event besides the detail, "
            'e.g. { event = "crown", material = "zirconia" }.'
        )
    for code, event, detail in new.select(*SCHEMA).drop_nulls().iter_rows():
        _fitting(detail, event, where=f"[codes] {code}")
    listed = pl.when(pl.col("event") == pl.col("event_listed")).then(pl.col("detail_listed"))
    new = new.with_columns(pl.coalesce("detail", listed)).select(*SCHEMA)
    return pl.concat([table.join(new, on="code", how="anti"), new]).sort("code")


def _row(row: Mapping[str, str | None], *, where: str) -> dict[str, str | None]:
    event = event_word(row["event"] or "", where=where)
    detail = _fitting(_snake(row.get("detail") or "") or None, event, where=where)
    return {"code": normal_own_code(row["code"] or ""), "event": event, "detail": detail}


def _override(said: object, *, where: str) -> Override:
    if isinstance(said, str):
        return Override(event_word(said, where=where))
    if not isinstance(said, Mapping) or not said or not all(isinstance(v, str) for v in said.values()):
        raise ConfigError(f'{where} must be a word, or {{ event = "crown", material = "zirconia" }}.')
    if strange := sorted(said.keys() - {"event", "material", "detail"}):
        raise ConfigError(f'{where}: "{strange[0]}" is not known here. Known: event, material, detail.')
    if {"material", "detail"} <= said.keys():
        raise ConfigError(f"{where}: material and detail say the same. Keep one of them.")
    event = event_word(said["event"], where=where) if "event" in said else None
    for key, known in (("material", MATERIALS), ("detail", _ANY_DETAIL)):
        if (word := _snake(said.get(key, ""))) and word not in known:
            raise ConfigError(f'{where}: "{said[key]}" is no {key} that we know: {", ".join(known)}.')
    return Override(event, _snake(said.get("material", said.get("detail", ""))) or None)


def _fitting(detail: str | None, event: str, *, where: str) -> str | None:
    words = DETAILS.get(event, ())
    if detail is None or detail in words:
        return detail
    may = f"It may be: {', '.join(words)}." if words else "That event has none."
    raise ConfigError(f'{where}: "{detail}" is no detail of {event}. {may}')


def event_word(word: str, *, where: str) -> str:
    """Our word for an event, from our own or a plain one of `ALIASES`.

    Raises ConfigError if it is neither; the message lists the nearest words.
    """
    normal = _snake(word)
    normal = ALIASES.get(normal, normal)
    if normal in EVENTS:
        return normal
    near = difflib.get_close_matches(normal, [*EVENTS, *ALIASES], n=4, cutoff=0.4) or ["crown", "root_canal", "other"]
    raise ConfigError(f'{where}: "{word}" is no event that we know. Near ones: {", ".join(near)}.')


def normalise_code(code: pl.Expr, *, system: str = "cdt") -> pl.Expr:
    """Codes as they are stored: upper case, without blanks, and without the `.0` that a spreadsheet adds.

    Then by the forms of their list (`data/code_forms.csv`, in its order): in `cdt` a bare four-digit number gets its D;
    in `ada_au` and `de` a number that lost its leading zero gets it back. In `de` a short name in brackets after the
    number is left out, and Ä is written AE. In `nl` the star that marks costs of the laboratory is left out.
    """
    code = code.str.to_uppercase().str.replace_all(r"\s+", "").str.replace(r"^(D?\d+)\.0+$", "${1}")
    for pattern, becomes in _forms(system):
        code = code.str.replace(pattern, becomes.format("${1}"))
    return code


def normal_code(code: str, *, system: str) -> str:
    """`normalise_code` for one text."""
    code = re.sub(r"^(D?\d+)\.0+$", r"\1", "".join(code.split()).upper())
    for pattern, becomes in _forms(system):
        code = re.sub(pattern, becomes.format(r"\1"), code)
    return code


@cache
def _forms(system: str) -> tuple[tuple[str, str], ...]:
    return tuple((row["pattern"], row["becomes"]) for row in data_rows("code_forms") if row["system"] == system)


def normal_own_code(code: str) -> str:
    """A code of a practice's own list as it is compared with those of a ledger."""
    return re.sub(r"^'(?=.)", "", "".join(code.split()).upper())


def _snake(word: str) -> str:
    return word.strip().lower().replace(" ", "_").replace("-", "_")
