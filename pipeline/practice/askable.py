"""What a question may name: populations with their outcomes, and the columns that may make groups.

A group must be settled by the moment the clock starts. One that is made by something later has lived until then by
definition, and its teeth look better than they are (immortal time, Suissa 2008); such a column is refused by name, as
are those that tell people apart.
"""

from pipeline.practice.outcomes import OUTCOMES, POPULATIONS, Population
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
