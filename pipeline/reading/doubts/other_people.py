"""A list of patients that is numbered by another key than the ledger, and whose numbers meet those by chance."""

import re
from collections.abc import Mapping

import polars as pl

from pipeline.reading.doubts.doubt import Doubt, ask

_SOME, _MOST, _BORN_LATER = 3, 0.5, 0.01
_MOST_COMPARED = 20_000
_LEAST_BEHIND, _BEHIND, _FEW_ABSENT = 5, 0.03, 0.01


def other_people(people: Mapping[str, pl.DataFrame], days: Mapping[str, pl.DataFrame]) -> list[Doubt]:
    """Numbers of the list that stand with other names in the ledger, or with work before the birth.

    `people` is as `PeopleSeen.people` by table; `days` has one row per patient, `id, day`: the first day of work in the
    ledger, the birth in the list.
    """
    said = [*_named(people), *_born_later(days)]
    if not said:
        return []
    return ask(
        "other_people",
        "patients",
        f"{'; '.join(said)}.",
        ("tables.patients", 'columns.patient_id = "<its heading>"', "the column with the ledger's number"),
    )


def cut_by_patient(people: Mapping[str, pl.DataFrame]) -> list[Doubt]:
    """Patients of the list without work in a ledger that is sorted by patient: all those behind its last one."""
    if "procedures" not in people or "patients" not in people:
        return []
    ledger, listed = (set(people[t]["id"]) for t in ("procedures", "patients"))
    if not ledger or not all(number.isascii() and number.isdigit() for number in ledger | listed):
        return []
    last = max(map(int, ledger))
    before = [number for number in listed if int(number) <= last]
    behind = len(listed) - len(before)
    absent = sum(number not in ledger for number in before)
    if behind < max(_LEAST_BEHIND, _BEHIND * len(listed)) or absent > _FEW_ABSENT * len(before):
        return []
    return ask(
        "not_whole.by_patient",
        "procedures",
        f"the ledger is sorted by patient, and {behind:,} of the {len(listed):,} patients in the list, all those "
        f"behind its last one, have no work; of those before it {absent:,} have none.",
    )


def _named(people: Mapping[str, pl.DataFrame]) -> list[str]:
    if "procedures" not in people or "patients" not in people:
        return []
    names = {t: _names(people[t]) for t in ("procedures", "patients")}
    both = sorted(names["procedures"].keys() & names["patients"].keys())[:_MOST_COMPARED]
    differ = sum(not names["procedures"][n] & names["patients"][n] for n in both)
    if differ < _SOME or differ < _MOST * len(both):
        return []
    return [f"{differ:,} of {len(both):,} patient numbers stand with other names in the list than in the ledger"]


def _names(people: pl.DataFrame) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for number, name in people.select("id", "name").drop_nulls().iter_rows():
        found.setdefault(number, set()).update(re.findall(r"[^\W\d_]{2,}", name.lower()))
    return {number: words for number, words in found.items() if words}


def _born_later(days: Mapping[str, pl.DataFrame]) -> list[str]:
    if "procedures" not in days or "patients" not in days:
        return []
    both = days["procedures"].join(days["patients"], on="id", suffix="_born")
    later = both.filter(pl.col("day_born") > pl.col("day")).height
    if later < max(_SOME, _BORN_LATER * both.height):
        return []
    return [f"{later:,} of {both.height:,} patients of the ledger would be born after their first day of work here"]
