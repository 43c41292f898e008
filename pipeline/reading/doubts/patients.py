"""Doubts about who the patients are: one written in two ways, two under one number, and numbers that do not meet."""

import re
from collections import Counter
from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.practice.settings import Settings
from pipeline.reading.doubts.answers import folded
from pipeline.reading.doubts.cells import headed
from pipeline.reading.doubts.doubt import Answer, Doubt, ask, samples
from pipeline.reading.doubts.marked_cells import signed_ids
from pipeline.reading.doubts.numbers_beside import one_person_doubts
from pipeline.reading.doubts.other_numbers import (
    merged_numbers,
    rounded_ids,
    two_forms,
    with_centuries,
    with_endings,
    with_letters,
    with_names,
    with_signs,
)
from pipeline.reading.doubts.people import cut_by_patient, distinct_people, earliest, other_people
from pipeline.reading.doubts.seen import Seen

# Our own judgement of what is no slip of the pen: common practice, no source.
_MANY, _FEW_FOUND, _BOTH_CLINICS, _BOTH_FILES = 0.05, 0.8, 0.3, 0.1
_SOME = 3
_SEVERAL, _MANY_ALIKE = 10, 4  # pieces of work in two files, and how many times those of one number
_MOST_COMPARED = 20_000
_NAME = r"\p{L}[\s,]+.*\p{L}"


def patient_doubts(seen: Sequence[Seen], settings: Settings) -> list[Doubt]:
    """All doubts about patients."""
    tables = dict.fromkeys(s.table for s in seen)
    people = {t: distinct_people([s.who.people for s in seen if s.table == t]) for t in tables}
    if not people:
        return []
    every = pl.concat(people.values())["id"].unique()
    found = [] if settings.practice.patient_ids else _in_two_forms(every, settings.practice.numbering)
    ledgers = [s for s in seen if s.table == "procedures" and not s.is_ours]
    found += [
        d for s in ledgers for d in signed_ids(s.where, s.answers.columns["patient_id"], s.who.people["id"].unique())
    ]
    found += [d for s in seen for d in merged_numbers(s)]
    families = [d for s in seen for d in dependants(s)]
    found += families
    found += [d for s in seen for d in names_as_ids(s)]
    # Where it was said of names or birth dates how they are meant, that holds of accounts too.
    if not {"several_names", "several_birth_dates"} & set(settings.practice.accepted):
        found += {(d.evidence, d.answers): d for s in reversed(seen) for d in account_numbers(s)}.values()
    found += rounded_ids(every)
    for table, rows in people.items():
        if not any(f.where.startswith(table) for f in families):
            each = [s.who.people for s in seen if s.table == table]
            apart = len(each) > 1 and not any(several_names(table, of) for of in each)
            found += several_names(table, rows, apart=apart) + several_births(table, rows)
            if not any(s.answers.merged for s in seen):
                found += one_person_doubts(table, rows)
    if not settings.practice.numbering and "procedures" in people:
        ledgers = [s for s in seen if s.table == "procedures" and not s.is_mended]
        found += shared_numbers(people["procedures"]) or shared_between_files(ledgers)
    if not settings.practice.numbering:
        found += work_of_two_numbers([s for s in seen if s.table == "procedures" and not s.is_mended])
    held = [s.held for s in seen if s.held is not None and s.sections.is_whole]
    if held and all(rows.is_by_patient for rows in held):
        found += cut_by_patient(people)
    days = {t: earliest([s.who.first_days for s in seen if s.table == t]) for t in people}
    told = settings.tables.get("patients")
    # A list that says nothing but which number stands for another one now need not name all patients.
    is_of_old = told is not None and bool(told.merged_into) and set(told.columns) <= {"patient_id"}
    few = [] if is_of_old else few_found(people)
    return found + (few or other_people(people, days))


def _in_two_forms(ids: pl.Series, numbering: str | None) -> list[Doubt]:
    """Patients whose number is written in two ways, by the first way found; a name before it may be put there by us."""
    named = () if numbering else (with_names,)
    ways = (written_twice, with_letters, with_endings, with_centuries, with_signs, *named)
    return next((found for way in ways if (found := way(ids))), [])


def written_twice(ids: pl.Series) -> list[Doubt]:
    """Patients whose number is written in several forms; `ids` are distinct."""
    alike = ids.to_frame("id").with_columns(folded(pl.col("id")).alias("same")).filter(pl.len().over("same") > 1)
    if not alike.height:
        return []
    n = alike["same"].n_unique()
    shown = samples(alike["id"])
    return two_forms(
        f"{n:,} patient numbers are written in several forms that differ only in leading zeros, .0, capital "
        f"letters, blanks or a sign such as # or * ({alike.height:,} forms, such as {shown}).",
        "folded",
        "yes: one patient, however the number is written",
    )


def account_numbers(seen: Seen) -> list[Doubt]:
    """The number of an account, which a family may share, read as that of a patient."""
    heading = seen.answers.columns["patient_id"]
    told = seen.who.people.select(pl.col("name", "born", "dependant").count()).row(0)
    # Where names or birth dates stand beside it, these tell.
    if any(told) or seen.answers.told.dependant or not headed([heading], "account"):
        return []
    return ask(
        "account_numbers",
        seen.where,
        f'column "{heading}" is read as the patient, and by its heading it may be an account.',
        (f"tables.{seen.table}", 'columns.patient_id = "<its heading>"', "a column with each patient's number"),
        (f"tables.{seen.table}", 'dependant = "<its heading>"', "the column that tells members apart"),
    )


def names_as_ids(seen: Seen) -> list[Doubt]:
    """A column of names where a number of the patient is expected."""
    ids = seen.who.people["id"].unique()
    n = (~ids.str.contains(r"\d") & ids.str.contains(_NAME)).sum()
    if ids.len() < _SOME or n < 0.8 * ids.len():
        return []
    heading = seen.answers.columns["patient_id"]
    return ask(
        "names_as_ids",
        seen.where,
        f'column "{heading}" is read as the patient, and {n:,} of its {ids.len():,} different values look like '
        f"names (such as {samples(ids)}).",
        (f"tables.{seen.table}", 'columns.patient_id = "<its heading>"', "the column with the number"),
    )


def dependants(seen: Seen) -> list[Doubt]:
    """A number that several members of a family share, with the member's number in a column beside it."""
    if not seen.who.dependants:
        return []
    people = seen.who.people.select("id", "dependant").drop_nulls().unique()
    several = people.group_by("id").len().filter(pl.col("len") > 1)
    if not several.height:
        return []
    heading = seen.who.dependants[0]
    ids = people["id"].n_unique()
    return ask(
        "dependants",
        seen.where,
        f"{several.height:,} of {ids:,} patient numbers stand with several numbers in the column "
        f'"{heading}" beside them (such as {samples(people["dependant"])}).',
        (f"tables.{seen.table}", f'dependant = "{heading}"', "yes: both together are the patient"),
    )


def several_names(table: str, people: pl.DataFrame, *, apart: bool = False) -> list[Doubt]:
    """One number with several names, in more patients than marry or are misspelt; `apart` if in no file by itself."""
    rows = people.select("id", "name").drop_nulls().unique()
    n, names = rows["id"].n_unique(), rows["name"].n_unique()
    if not n or names < 0.8 * n or rows.height > 1.2 * names:
        return []  # such names are no one's own: they stand with many numbers
    words = pl.col("name").str.to_lowercase().str.extract_all(r"\p{L}+").list.sort().list.join(" ")
    twice = rows.filter(pl.len().over("id") > 1).sort("id").head(_MOST_COMPARED)
    several = twice.select("id", words.alias("name")).unique().group_by("id").len().filter(pl.col("len") > 1).height
    if not several or several <= _MANY * n:
        return []
    return ask(
        "several_names.apart" if apart else "several_names",
        table,
        f"{several:,} of {n:,} patient numbers stand with several names.",
        ("practice", 'numbering = "per file"', "yes: each file numbers its own patients") if apart else None,
        *_one_person_each(table),
    )


def _one_person_each(table: str) -> tuple[Answer, Answer]:
    """The lines by which a number comes to be that of one person."""
    return (
        (f"tables.{table}", 'columns.patient_id = "<its heading>"', "a column with each patient's own number"),
        (f"tables.{table}", 'dependant = "<its heading>"', "the column that tells members of a family apart"),
    )


def several_births(table: str, people: pl.DataFrame) -> list[Doubt]:
    """One number with birth dates that differ in more than a slip of the pen: in two of day, month and year."""
    rows = people.select("id", "born").drop_nulls().unique()
    n = rows["id"].n_unique()
    groups = rows.filter(pl.len().over("id") > 1).group_by("id").agg("born").head(_MOST_COMPARED)
    several = sum(_are_two(born) for born in groups["born"].to_list())
    if not several or several <= _MANY * n:
        return []
    return ask(
        "several_birth_dates",
        table,
        f"{several:,} of {n:,} patient numbers stand with birth dates that no slip of the pen explains.",
        *_one_person_each(table),
        ("practice", 'numbering = "per clinic"', "each clinic numbers its own patients"),
    )


def shared_numbers(people: pl.DataFrame) -> list[Doubt]:
    """The same numbers at two clinics, more than patients who go to both explain."""
    rows = people.select("id", "site").drop_nulls().unique()
    sizes = dict(rows.group_by("site").len().iter_rows())
    if len(sizes) < 2:
        return []
    pairs = rows.join(rows, on="id", suffix="_2").filter(pl.col("site") < pl.col("site_2"))
    both = pairs.group_by("site", "site_2").len().iter_rows()
    share, n = max(((n / min(sizes[a], sizes[b]), n) for a, b, n in both), default=(0.0, 0))
    if share < _BOTH_CLINICS or n < _SOME:
        return []
    return ask(
        "numbering",
        "procedures",
        f"{n:,} patient numbers stand at two clinics, {share:.0%} of those of the smaller one.",
        ("practice", 'numbering = "per clinic"', "yes: number and clinic together are the patient"),
        ("practice", 'numbering = "one for all"', "no: these patients went to both"),
    )


def shared_between_files(seen: Sequence[Seen]) -> list[Doubt]:
    """Two files of the same years and numbers with hardly a day in common, unlike files of two clinicians of a
    practice."""
    numbers = [set(one.who.people["id"]) for one in seen]
    for n, one in enumerate(seen):
        for m, other in enumerate(seen[n + 1 :], n + 1):
            if not _years_alike(one, other):
                continue
            both = len(numbers[n] & numbers[m])
            share = both / max(min(len(numbers[n]), len(numbers[m])), 1)
            same_day = int(one.visits.is_in(other.visits.implode()).sum())
            if both >= _SOME and share >= _BOTH_FILES and same_day <= _MANY * both and not _are_same(one, other):
                means = "yes, and a column of each file, named as columns.site_id, says which clinic it is"
                return ask(
                    "numbering.files",
                    "procedures",
                    f"{one.file} and {other.file} are of the same years, and {both:,} patient numbers stand in "
                    f"both, with {same_day:,} days of work in common.",
                    ("practice", 'numbering = "per file"', "yes: number and file together are the patient"),
                    ("practice", 'numbering = "per clinic"', means),
                    ("practice", 'numbering = "one for all"', "no: a number is one patient in all files"),
                )
    return []


def work_of_two_numbers(seen: Sequence[Seen]) -> list[Doubt]:
    """Two files of the same time with the same work of patients of other numbers: two programs, of one practice."""
    for n, one in enumerate(seen):
        for other in seen[n + 1 :]:
            a, b = (s.work.work.select("kind", "tooth", "day", "patient") for s in (one, other) if s.work is not None)
            if a.is_empty() or b.is_empty():
                continue
            days = [rows["day"].sort() for rows in (a, b)]
            start, end = max(d[0] for d in days), min(d[-1] for d in days)
            a, b = (rows.filter(pl.col("day").is_between(start, end)).unique() for rows in (a, b))
            pairs = a.join(b, on=["kind", "tooth", "day"], suffix="_2")
            same = pairs.filter(pl.col("patient") == pl.col("patient_2")).height
            twice = pairs.filter(pl.col("patient") != pl.col("patient_2")).select("kind", "tooth", "day").n_unique()
            least = min(a.height, b.height)
            if twice < _SEVERAL or 2 * twice < least or _MANY_ALIKE * same > twice:
                continue
            return ask(
                "work_of_two_numbers",
                "procedures",
                f"{one.file} and {other.file} are both of {start:%Y-%m} to {end:%Y-%m}; of {least:,} crowns, "
                f"root canals, extractions and fillings then {twice:,} stand in both, on the same day and tooth, "
                "under other patient numbers.",
                ("tables.patients", 'merged_into = "<its column>"', "of a list with old and new numbers"),
            )
    return []


def _are_same(one: Seen, other: Seen) -> bool:
    """Whether names or birth dates tell that most numbers of both files are one patient each."""
    pairs = one.who.people.join(other.who.people, on="id", suffix="_2")
    same = pl.any_horizontal(pl.col(c) == pl.col(f"{c}_2") for c in ("name", "born"))
    by_id = pairs.group_by("id").agg(same.any().alias("same"))
    return 2 * int(by_id["same"].sum()) > by_id.height


def _years_alike(one: Seen, other: Seen) -> bool:
    """Whether most of the days of work of the shorter file lie in years of the other."""
    years = [s.years for s in (one, other)]
    both = sum(min(years[0][y], years[1][y]) for y in years[0].keys() & years[1].keys())
    return both > 0 and 2 * both >= min(y.total() for y in years)


def few_found(people: Mapping[str, pl.DataFrame]) -> list[Doubt]:
    """Few patients of the ledger are in the list of patients."""
    if "procedures" not in people or "patients" not in people:
        return []
    ledger, listed = people["procedures"]["id"].unique(), people["patients"]["id"].unique()
    found = int(ledger.is_in(listed.implode()).sum())
    if not listed.len() or ledger.len() - found < _SOME or found >= _FEW_FOUND * ledger.len():
        return []
    loose, loosely_listed = (ids.to_frame("id").select(folded(pl.col("id")))["id"] for ids in (ledger, listed))
    if loose.is_in(loosely_listed.implode()).sum() >= _FEW_FOUND * ledger.len():
        return []  # asked as numbers written in several forms
    return ask(
        "few_patients_found",
        "patients",
        f"only {found:,} of {ledger.len():,} patients of the ledger are in the list of patients. Numbers in the "
        f"ledger look like {samples(ledger)}, in the list like {samples(listed)}.",
        ("tables.patients", 'columns.patient_id = "<its heading>"', "the column with the ledger's number"),
    )


def _are_two(born: list[str]) -> bool:
    """Whether some two of the dates, however written, have fewer than two of three numbers in common."""
    dates = [sorted(int(n) for n in re.findall(r"\d+", text)[:3]) for text in born]
    whole = [d for d in dates if len(d) == 3]
    return any((Counter(a) & Counter(b)).total() < 2 for n, a in enumerate(whole) for b in whole[:n])
