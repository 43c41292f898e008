"""Patients under two numbers: written in two ways, or given up for another, as a list of patients says of them."""

import dataclasses
from collections.abc import Collection, Mapping
from pathlib import Path

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.counts import count
from pipeline.practice.settings import Settings
from pipeline.reading.config import matching_files
from pipeline.reading.doubts.answers import answers_for, folded
from pipeline.reading.doubts.cells import headed, text_of
from pipeline.reading.doubts.doubt import Doubt, ask, samples
from pipeline.reading.doubts.marked_cells import (
    CENTURY,
    ENDING,
    LETTERS_BEFORE,
    NUMBER_IN_TEXT,
    SIGNS_WITHIN,
    TAKEN_BACK,
)
from pipeline.reading.doubts.seen import Seen
from pipeline.reading.mended_files import read_options
from pipeline.reading.sources import open_source
from pipeline.reading.sources.mapping import resolve_columns
from pipeline.reading.sources.source import refuse_absent
from pipeline.reading.suggest.shown import quoted

# A sign to check a number: behind a dash, a stroke, a point or a blank.
_LEAST_ENDED, _ALONE = 5, 0.9
_MOST_MERGED = 0.3  # of all patients, where the heading does not say it
_ROUNDED, _LONG = r"^\d(?:[.,]\d+)?E\+?\d+$", r"^[1-9]\d{15,29}$"
_LEAST_ROUNDED, _NEARLY_ROUNDED, _MOST_COMPARED = 3, 0.8, 20_000


def two_forms(seen: str, setting: str, yes: str, *, no: str = "no: each form is a patient of its own") -> list[Doubt]:
    """The question whether patients are under two numbers, with what was seen; `setting` makes one patient of them."""
    return ask(
        f"patient_ids.{setting}",
        "patients",
        seen,
        ("practice", f'patient_ids = "{setting}"', yes),
        ("practice", 'patient_ids = "as_written"', no),
    )


def _with_and_without(
    ids: pl.Series, longer: pl.Series, plain: pl.Series, what: str, *, setting: str, yes: str, at_most: int = 3
) -> list[Doubt]:
    """The same of numbers that stand longer, with `what`, and plain."""
    such = f"{samples(longer, at_most=at_most)} beside {samples(plain, at_most=1)}"
    seen = f"{longer.len():,} of {ids.len():,} patient numbers stand with {what} and without (such as {such})."
    return two_forms(seen, setting, yes)


def with_letters(ids: pl.Series) -> list[Doubt]:
    """Patients whose number stands with letters before it and without; `ids` are distinct."""
    frame = ids.to_frame("id").with_columns(bare=folded(pl.col("id")).str.replace(LETTERS_BEFORE, ""))
    has_letters = pl.col("id").str.contains(r"^\p{L}{1,6}[\s._-]*\d+$")
    plain = frame.filter(pl.col("id").str.contains(r"^\d+$"))["bare"]
    both = frame.filter(has_letters & pl.col("bare").is_in(plain.implode()) & ~pl.col("id").str.contains(TAKEN_BACK))
    if not both.height:
        return []
    yes = "yes: the number alone is the patient"
    return _with_and_without(ids, both["id"], plain, "letters before them", setting="numbers", yes=yes)


def with_endings(ids: pl.Series) -> list[Doubt]:
    """Patients whose number stands with one more sign behind it and without; `ids` are distinct."""
    frame = ids.to_frame("id").with_columns(bare=folded(pl.col("id")))
    frame = frame.with_columns(
        stem=pl.col("bare").str.replace(ENDING, ""), has_ending=pl.col("bare").str.contains(ENDING)
    )
    ended = frame.filter("has_ending")
    plain = frame.filter(~pl.col("has_ending"))["bare"]
    both = ended.filter(pl.col("stem").is_in(plain.implode()))
    # Members of a family have several endings of one number each, a number with a sign to check it has one.
    several = ended.group_by("stem").len()
    alone = several.filter(pl.col("len") == 1).height
    if both.height < _LEAST_ENDED or 2 * both.height < ended.height or alone < _ALONE * several.height:
        return []
    yes = "yes: the number before it alone is the patient"
    return _with_and_without(ids, both["id"], plain, "one more sign behind them", setting="without_ending", yes=yes)


def with_names(ids: pl.Series) -> list[Doubt]:
    """Patients written as a name and a number, some of whose numbers stand with several names; `ids` are distinct."""
    has_name = pl.col("id").str.contains(r"\p{L}{2,}[,\s]+\p{L}")  # two words: one may be of a clinic
    named = ids.to_frame("id").filter(has_name).with_columns(bare=pl.col("id").str.extract(NUMBER_IN_TEXT))
    several = named.drop_nulls("bare").group_by("bare").len().filter(pl.col("len") > 1).height
    if not several or 2 * named["bare"].count() < ids.len():
        return []
    return two_forms(
        f"patients are written as a name and a number (such as {samples(ids)}), and {several:,} numbers stand with "
        "several names.",
        "number_in_text",
        "yes: the number alone is the patient",
        no="no: each name is a patient of its own",
    )


def _in_both(longer: pl.DataFrame, plain: pl.Series) -> pl.Series | None:
    """The numbers of `longer` (`id, bare`) that stand as `bare` among the plain ones too; None for few of either."""
    both = longer.filter(pl.col("bare").is_in(plain.implode()))["id"]
    return None if both.len() < _LEAST_ENDED or 4 * both.len() < min(longer.height, plain.len()) else both


def with_centuries(ids: pl.Series) -> list[Doubt]:
    """Patients whose number, made of the day of birth, stands with the century and without; `ids` are distinct."""
    frame = ids.to_frame("id").with_columns(bare=pl.col("id").str.extract(CENTURY))
    long, short = frame.drop_nulls("bare"), frame.filter(pl.col("bare").is_null())["id"]
    both = _in_both(long, short)
    if both is None:
        return []
    yes = "yes: the number without it is the patient"
    return _with_and_without(ids, both, short, "19 or 20 before them", setting="without_century", yes=yes, at_most=1)


def with_signs(ids: pl.Series) -> list[Doubt]:
    """Patients whose number stands with a sign between its parts and without; `ids` are distinct."""
    parted = ids.to_frame("id").filter(pl.col("id").str.contains(SIGNS_WITHIN))
    parted = parted.with_columns(bare=pl.col("id").str.replace(SIGNS_WITHIN, "${1}${2}"))
    plain = ids.filter(ids.str.contains(r"^\d+$"))
    both = _in_both(parted, plain)
    if both is None:
        return []
    yes = "yes: the digits alone are the patient"
    return _with_and_without(
        ids, both, plain, "a sign between their digits", setting="without_signs", yes=yes, at_most=1
    )


def rounded_ids(ids: pl.Series) -> list[Doubt]:
    """Numbers that a spreadsheet wrote in powers of ten: their last digits are gone; `ids` are distinct."""
    rounded = ids.filter(ids.str.to_uppercase().str.contains(_ROUNDED))
    long = ids.filter(ids.str.contains(_LONG)).head(_MOST_COMPARED)
    kept = pl.Series([_has_fifteen_digits(text) for text in long], dtype=pl.Boolean())
    cut = long.filter(kept)
    if cut.len() >= max(_LEAST_ROUNDED, _NEARLY_ROUNDED * long.len()):
        rounded = pl.concat([rounded, cut])
    if not rounded.len():
        return []
    return ask(
        "rounded_ids",
        "patients",
        f"{rounded.len():,} of {ids.len():,} patient numbers are written in powers of ten, or have no more than "
        f"fifteen digits that say anything (such as {samples(rounded)}): a spreadsheet, which keeps fifteen, has "
        "rounded them, and patients with like numbers became one.",
    )


def _has_fifteen_digits(text: str) -> bool:
    """Whether a longer number holds no more than a spreadsheet keeps: zeros behind, or what a float makes of them."""
    return not text[15:].strip("0") or text == str(int(float(f"{float(text):.15g}")))


def merged_numbers(seen: Seen) -> list[Doubt]:
    """A list of patients that says of some that their number was given up for another one."""
    if not any(seen.merged_into.values()):
        return []
    known = set(seen.who.people["id"])
    named = set(headed(list(seen.merged_into), "merged"))
    found = {
        heading: numbers
        for heading, numbers in seen.merged_into.items()
        if numbers
        and _are_ids(numbers, known, share=0.5 if heading in named else 1.0)
        and (heading in named or numbers.total() <= _MOST_MERGED * len(known))
    }
    if not found:
        return []
    heading, numbers = min(found.items(), key=lambda one: (one[0] not in named, one[0]))
    shown = samples(pl.Series(sorted(numbers), dtype=pl.String))
    return ask(
        "merged_patients",
        seen.where,
        f'column "{heading}" is not read, and {count(numbers.total(), "patient", "has")} the number of another one '
        f"there (such as {shown}).",
        (f"tables.{seen.table}", f"merged_into = {quoted(heading)}", "yes: in all files the other number counts"),
    )


def _are_ids(numbers: Collection[str], known: Collection[str], *, share: float) -> bool:
    """Whether texts are numbers of patients; numbers of one digit are anything."""
    is_number = all(len(number) > 1 for number in numbers)
    return is_number and sum(number in known for number in numbers) >= share * len(numbers)


_FOUND: dict[tuple[object, ...], dict[str, str]] = {}


def merged_patients(settings: Settings) -> Mapping[str, str]:
    """Numbers that were given up, each with the one that stands for it now, written as the files' numbers are read;
    empty where no table names `merged_into`. Read once for the same files and settings. Raises DataError if a file has
    no such column, or numbers were given up for one another in a circle."""
    tables = [name for name, told in settings.tables.items() if told.merged_into]
    if not tables:
        return {}
    files = [(name, path, path.stat()) for name in tables for path in matching_files(settings, name)]
    key = (
        *((name, str(path), stat.st_mtime_ns, stat.st_size) for name, path, stat in files),
        repr([settings.tables[name] for name in tables]),
        settings.practice.patient_ids,
        settings.practice.numbering,
    )
    if key not in _FOUND:
        pairs = [_pairs(settings, name, path) for name, path, _ in files]
        _FOUND[key] = _settled(pl.concat(pairs), ", ".join(path.name for _, path, _ in files))
    return _FOUND[key]


def _pairs(settings: Settings, name: str, path: Path) -> pl.DataFrame:
    told = settings.tables[name]
    heading = told.merged_into or ""
    source = open_source(path, read_options(told, settings))
    columns = resolve_columns(source.headings, {} if source.spoken.fields else told.columns, table=name, file=path.name)
    refuse_absent([heading], source.headings, f"[tables.{name}] merged_into", file=path.name)
    answers = answers_for(settings, name, columns, source.headings, file=path.name, of=path.name)
    into = dataclasses.replace(answers, columns={**columns, "patient_id": heading})
    found = [pl.DataFrame(schema={"old": pl.String(), "new": pl.String()})]
    for batch in source.batches([*dict.fromkeys([*answers.patient_headings(), heading])]):
        filled = text_of(batch.rows, heading)
        pair = pl.DataFrame({"old": answers.ids(batch.rows), "new": into.ids(batch.rows)})
        found.append(pair.filter((filled != "").fill_null(False) & (filled != "0")).drop_nulls())
    return pl.concat(found).unique().filter(pl.col("old") != pl.col("new"))


def _settled(pairs: pl.DataFrame, files: str) -> dict[str, str]:
    """Each number with the last one of its chain."""
    several = pairs.group_by("old").len().filter(pl.col("len") > 1).height
    if several:
        raise DataError(
            f"{files}: {count(several, 'patient', 'was')} merged into several others each. Correct the list, so that "
            "each is merged into one."
        )
    into = dict(pairs.select("old", "new").iter_rows())
    settled = {}
    for old, first in into.items():
        new, seen = first, {old}
        while new in into and new not in seen:
            seen.add(new)
            new = into[new]
        if new in seen:
            raise DataError(
                f"{files}: some patients were merged into one another in a circle ({len(seen):,} numbers). Correct the "
                "list, so that one of them stands for the others."
            )
        settled[old] = new
    return settled
