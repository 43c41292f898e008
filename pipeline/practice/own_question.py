"""A question of one's own as plain keys, from `[[ask]]` or the command line, checked before any data.

A group must be settled by the moment the clock starts. One that is made by something later has lived until then by
definition, and its teeth look better than they are (immortal time, Suissa 2008); such a column is refused by name, as
are those that tell people apart.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.machine.declared import known, near, one_of
from pipeline.machine.errors import ConfigError
from pipeline.practice.outcomes import ASKED, OUTCOMES, POPULATIONS, Outcome, Population
from pipeline.practice.tables import CROWN_DETAILS, CROWNS, ENDO_COURSES, ENDO_DETAILS, PATIENTS

_NAMING = ("patient_id", "provider_id", "crown_id", "course_id", "load_id", "row_number", "tooth", "supernumerary")


CLOCKS = tuple(p.clock for p in POPULATIONS.values())
TABLES = {t.name: t for t in (CROWNS, ENDO_COURSES, CROWN_DETAILS, ENDO_DETAILS, PATIENTS)}
# How identifiers are said where a blank for each underscore would not do.
WORDS = {
    **{o.asked: o.asked_as for o in OUTCOMES if o.asked}, "endo_courses": "root canals",
    "naocl_percent": "strength of hypochlorite in percent", "length_short_of_apex_mm": "mm from filling to apex",
    "master_apical_size_iso": "final apical size", "ferrule_mm": "ferrule in mm",
    "preop_pai": "periapical index before treatment", "tooth_fdi": "tooth", "kind": "first treatment or repeat",
    "seat_date": "date of the seat", "completed": "filling followed",
}  # fmt: skip
# Recorded when the files were written, not when the clock started.
NOT_DATED = ("smoker", "diabetes", "bruxism")


def columns_of(population: Population) -> dict[str, str]:
    """Every column that may be named, and its table; the first table that has a name keeps it."""
    found: dict[str, str] = {}
    for table in population.tables:
        for name, column in TABLES[table].columns.items():
            if name not in _NAMING and not column.later and "Date" not in str(column.dtype):
                found.setdefault(name, table)
    return found


def after_zero(population: Population, column: str) -> str | None:
    """What a column records that comes after time zero; None if nothing, or if there is no such column."""
    found = (TABLES[table].columns.get(column) for table in population.tables)
    return next((one.later for one in found if one is not None and one.later), None)


def said(name: str) -> str:
    """A column, outcome or population in words."""
    return WORDS.get(name, name.replace("_", " "))


def names_people(column: str) -> bool:
    """True for columns that tell people, teeth or rows apart."""
    return column in _NAMING


LOG = "asked"  # the name under which the store keeps every question asked of it
KEYS = ("title", "population", "groups", "outcome", "clock", "adjust", "horizon")
# Keys of a population beside the columns that it may be narrowed by.
YEARS = ("from_year", "until_year")
ALWAYS = ("age", "sex", "year", "tooth_group")


@dataclass(frozen=True)
class Ask:
    """One question. `bands` are the edges of a number; `only` narrows the population to one word a column.

    `adjust` None adjusts for `ALWAYS`, an empty one for nothing. `reference` None takes the largest group.
    """

    population: Population
    column: str
    outcome: Outcome
    bands: tuple[float, ...] = ()
    reference: str | None = None
    only: tuple[tuple[str, str], ...] = ()
    from_year: int | None = None
    until_year: int | None = None
    adjust: tuple[str, ...] | None = None
    horizon: int | None = None
    title: str = ""

    @property
    def clock(self) -> str:
        """What the days are counted from."""
        return self.population.clock

    def in_words(self) -> dict[str, str]:
        """The question as key and text, in a fixed order."""
        of = [self.population.name, *(f"{k} = {v}" for k, v in self.only)]
        of += [f"{k} = {v}" for k, v in zip(YEARS, (self.from_year, self.until_year), strict=True) if v is not None]
        edges = f" in bands at {', '.join(f'{b:g}' for b in self.bands)}" if self.bands else ""
        return {
            "population": ", ".join(of),
            "groups": self.column + edges + (f", against {self.reference}" if self.reference else ""),
            "outcome": self.outcome.asked,
            "clock": self.clock,
            "adjust": ", ".join(self.adjusted()) or "nothing",
            "horizon": "as in the settings" if self.horizon is None else f"{self.horizon} years",
        }

    def adjusted(self) -> tuple[str, ...]:
        """What the model adjusts for: never the column that makes the groups."""
        return tuple(name for name in (ALWAYS if self.adjust is None else self.adjust) if name != self.column)

    def key(self) -> str:
        """A fingerprint: the same question asked twice has the same one, whatever its title."""
        return hashlib.sha256(json.dumps(self.in_words(), sort_keys=True).encode()).hexdigest()[:16]


def read_ask(raw: Mapping[str, Any], *, where: str = "[[ask]]") -> Ask:
    """Check one question.

    Raises ConfigError for a key, population, column, outcome or clock that is not known, one that does not fit the
    others, a column that tells people apart, or one that records what comes after the clock has started.
    """
    known(raw, KEYS, where)
    for key in ("population", "groups", "outcome"):
        if key not in raw:
            raise ConfigError(f"{where} {key} is missing.")
    told = _table(raw["population"], "of", f"{where} population")
    population = POPULATIONS[one_of(str(told.pop("of", "")), POPULATIONS, f"{where} population")]
    years = {key: _whole(told.pop(key), f"{where} population {key}") for key in YEARS if key in told}
    for column, word in told.items():
        table = _usable(population, column, f"{where} population")
        if words := TABLES[table].columns[column].words:
            one_of(str(word), words, f"{where} population {column}")
    groups = _table(raw["groups"], "column", f"{where} groups")
    known(groups, ("column", "bands", "reference"), f"{where} groups")
    column = str(groups.get("column", ""))
    _usable(population, column, f"{where} groups")
    return Ask(
        population=population,
        column=column,
        outcome=_outcome(population, raw, where),
        bands=_bands(groups.get("bands", ()), where),
        reference=str(groups["reference"]) if "reference" in groups else None,
        only=tuple(sorted((k, str(v).lower() if isinstance(v, bool) else str(v)) for k, v in told.items())),
        from_year=years.get("from_year"),
        until_year=years.get("until_year"),
        adjust=_adjust(population, raw["adjust"], where) if "adjust" in raw else None,
        horizon=_whole(raw["horizon"], f"{where} horizon", least=1) if "horizon" in raw else None,
        title=str(raw.get("title", "")),
    )


def from_options(
    *,
    population: str,
    groups: str,
    outcome: str,
    clock: str | None = None,
    adjust: Sequence[str] = (),
    horizon: int | None = None,
    title: str = "",
) -> Ask:
    """The same from the command line: `crowns,tooth_group=molar,from_year=2015` and `naocl_percent:1,3`."""
    of, *narrowed = [part.strip() for part in population.split(",")]
    told: dict[str, Any] = {"of": of}
    for part in narrowed:
        key, equals, value = part.partition("=")
        if not equals:
            raise ConfigError(f'--population: "{part}" has no =; write column=word after the population.')
        told[key.strip()] = int(value) if key.strip() in YEARS and value.strip().isdigit() else value.strip()
    column, _, edges = groups.partition(":")
    try:
        bands = [float(edge) for edge in edges.split(",") if edge.strip()]
    except ValueError:
        raise ConfigError("--groups: bands must be numbers, e.g. naocl_percent:1,3.") from None
    raw: dict[str, Any] = {"population": told, "groups": {"column": column.strip(), "bands": bands}}
    raw |= {"outcome": outcome, "title": title}
    raw |= {"clock": clock} if clock else {}
    raw |= {"adjust": [a for a in adjust if a != "nothing"]} if adjust else {}
    raw |= {"horizon": horizon} if horizon is not None else {}
    return read_ask(raw, where="ask:")


def _usable(population: Population, column: str, where: str) -> str:
    """The table of a column that may be named."""
    if why := after_zero(population, column):
        raise ConfigError(
            f'{where}: "{column}" is about {why}, which comes after the clock has started ({population.clock}). A '
            "tooth must last until then to be in such a group, so the group looks better than it is (immortal time). "
            "Name what was known when the clock started; what comes later is on the clinician's page as a state that a "
            "tooth passes into."
        )
    if names_people(column):
        raise ConfigError(
            f'{where}: "{column}" tells people, teeth or rows apart and makes no groups. How clinicians differ is '
            "shown by a funnel, not by a comparison."
        )
    known = columns_of(population)
    if column not in known:
        raise ConfigError(f'{where}: "{column}" is no column of {", ".join(population.tables)}.{near(column, known)}')
    return known[column]


def _outcome(population: Population, raw: Mapping[str, Any], where: str) -> Outcome:
    outcome = one_of(str(raw["outcome"]), ASKED, f"{where} outcome")
    followed = {o.asked: o for o in OUTCOMES if o.asked and o.population is population}
    if outcome not in followed:
        raise ConfigError(f'{where} outcome = "{outcome}" is not followed in {population.name}: {", ".join(followed)}.')
    clock = one_of(str(raw.get("clock", population.clock)), CLOCKS, f"{where} clock")
    if clock != population.clock:
        raise ConfigError(f'{where} clock = "{clock}" does not fit {population.name}: {population.clock}.')
    return followed[outcome]


def _adjust(population: Population, value: Any, where: str) -> tuple[str, ...]:
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, (list, tuple)) or not all(isinstance(n, str) for n in names):
        raise ConfigError(f'{where} adjust must be a list of names, e.g. ["age", "sex"]; [] adjusts for nothing.')
    for name in names:
        if name not in ("age", "year"):
            _usable(population, name, f"{where} adjust")
    return tuple(dict.fromkeys(names))


def _bands(value: Any, where: str) -> tuple[float, ...]:
    fine = isinstance(value, (list, tuple)) and all(
        isinstance(v, (int, float)) and not isinstance(v, bool) for v in value
    )
    edges = tuple(float(v) for v in value) if fine else ()
    if not fine or list(edges) != sorted(set(edges)):
        raise ConfigError(f"{where} groups bands must be numbers going up, e.g. [1, 3].")
    return edges


def _table(value: Any, key: str, where: str) -> dict[str, Any]:
    if isinstance(value, str):
        return {key: value}
    if not isinstance(value, Mapping) or not all(isinstance(v, (str, int, float, list, bool)) for v in value.values()):
        raise ConfigError(f'{where} must be a text or a table such as {{ {key} = "..." }}.')
    return dict(value)


def _whole(value: Any, where: str, *, least: int = 1900) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < least:
        raise ConfigError(f"{where} must be a whole number of {least} or more.")
    return value


def asked_for(listed: Sequence[Ask], options: Mapping[str, Any]) -> tuple[Ask, ...]:
    """The question that the command line puts, or without any option those that PRACTICE.toml lists.

    Raises ConfigError where neither puts a question, or the command line puts only part of one.
    """
    given = {name: value for name, value in options.items() if value}
    if not given:
        if not listed:
            raise ConfigError("Nothing was asked: give --population, --groups and --outcome, or [[ask]] in the TOML.")
        return tuple(listed)
    if missing := [f"--{name}" for name in ("population", "groups", "outcome") if name not in given]:
        raise ConfigError(f"The question lacks {' and '.join(missing)}.")
    return (from_options(**given),)
