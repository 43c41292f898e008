"""Files beside the ledger that no table reads, and two files of one time that agree only partly: a later export with
corrections, or one by the day of posting. Common practice, no source."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.settings import Settings
from pipeline.practice.teeth import parse_teeth
from pipeline.reading.doubts.cells import OF
from pipeline.reading.doubts.clinicians import named_twice_doubts
from pipeline.reading.doubts.doubt import Answer, Doubt, ask, of_ledger
from pipeline.reading.doubts.seen import Seen
from pipeline.reading.doubts.whole_export import BROKEN, End, end_doubts
from pipeline.reading.doubts.work_seen import CROWN
from pipeline.reading.headings import PART, fit, plain_heading
from pipeline.reading.sources import has_sheets
from pipeline.reading.sources.excel_book import visible_sheets
from pipeline.reading.sources.files_beside import ends_a_line, pairs_beside, tables_beside, taken_back_beside
from pipeline.reading.sources.standing_names import VOID, named
from pipeline.reading.suggest.profile import Column
from pipeline.reading.suggest.shown import quoted

_MOST_SHOWN = 5
_LEAST_PAIRS, _LEAST_ROWS, _NEARLY_ALL, _HELD = 3, 10, 0.8, 0.2
_WORK = ["patient", "day", "tooth"]
_OLD = re.compile(r"(?i)\b(?:old|former|previous|prior|alt|from|ancien|antiguo|oud|vecchio|antigo)\b")


def file_doubts(seen: Sequence[Seen], settings: Settings) -> list[Doubt]:
    """Such files, of which a heading stands in the ledger too; of a file that is no text the name is enough."""
    from pipeline.reading.config import matching_files  # it knows the words of the doubts itself

    ledgers = [one for one in seen if one.table == "procedures" and not one.is_mended]
    if not ledgers:
        return []
    read = [path for table in settings.tables for path in matching_files(settings, table)]
    ours = {plain_heading(heading) for one in ledgers for heading in one.headings}
    found = (
        _old_numbers(ledgers, read)
        + _work_beside(ledgers, read, settings.practice.tooth_notation)
        + _crowns_apart(seen, ledgers)
    )
    clinicians = [one.held.frame["provider"] for one in ledgers if one.held is not None]
    if clinicians:
        renewed = list(settings.tables["procedures"].clinicians_renewed)
        found += named_twice_doubts(pairs_beside(read), pl.concat(clinicians), renewed)
    found += end_doubts(_ends(ledgers, matching_files(settings, "procedures")))
    told = []
    for path, headings in taken_back_beside(read):
        both = [heading for heading in headings if plain_heading(heading) in ours]
        if both or not headings:
            told.append(path.name + (f' (it has "{both[0]}" in common with the ledger)' if both else ""))
    for one in ledgers:
        book = next((p for p in read if p.name == one.file and one.sheets and has_sheets(p)), None)
        names = visible_sheets(book)[0] if book is not None else []
        left = [sheet for sheet in names if sheet not in one.sheets and named(sheet).word == VOID]
        told += [f'sheet "{sheet}" of {one.file}' for sheet in left]
    if not told:
        return found
    more = f" and {len(told) - _MOST_SHOWN} more" if len(told) > _MOST_SHOWN else ""
    return [
        *found,
        *ask(
            "files_not_read",
            "procedures",
            f"beside the ledger lies what no table reads, and its name says that it was taken back: "
            f"{', '.join(told[:_MOST_SHOWN])}{more}.",
        ),
    ]


def _work_beside(ledgers: Sequence[Seen], read: Sequence[Path], notation: str) -> list[Doubt]:
    """Unread files with a patient of the ledger, a day and a tooth in each row, hardly any in the ledger; not asked
    where a file of the ledger, known from a run before, is not held whole."""
    ids = pl.concat([one.who.people.select("id") for one in ledgers]).unique().drop_nulls()["id"]
    held = [one.held.frame.select(_WORK) for one in ledgers if one.held is not None and one.held.one_in == 1]
    if len(held) < len(ledgers) or any(map(pl.DataFrame.is_empty, held)) or ids.len() < _LEAST_PAIRS:
        return []
    ours, told = pl.concat(held).unique(), []
    for path, rows in tables_beside(read):
        # A list made by another program may number teeth otherwise.
        read_so = [_work_in(rows, ids, of) for of in dict.fromkeys((notation, "fdi"))]
        there = max(work.join(ours, on=_WORK, how="semi").height for work in read_so)
        if read_so[0].height >= _LEAST_ROWS and there < _HELD * max(work.height for work in read_so):
            told.append(path.name)
    if not told:
        return []
    more = f" and {len(told) - _MOST_SHOWN} more" if len(told) > _MOST_SHOWN else ""
    means = 'yes; with renamed."<its heading>" = "<the heading named>" for each column that is called otherwise'
    return ask(
        "files_not_read.work",
        "procedures",
        f"beside the ledger lies what no table reads, and its rows have a patient of the ledger, a day and a tooth: "
        f"{', '.join(told[:_MOST_SHOWN])}{more}.",
        ("tables.procedures", 'files = ["<those that are there>", "<its name>"]', means),
    )


def _crowns_apart(seen: Sequence[Seen], ledgers: Sequence[Seen]) -> list[Doubt]:
    """A list of crowns beside a ledger that has none: details join crowns of the ledger, and are none themselves."""
    rows = sum(one.counts["rows"] for one in seen if one.table == "crown_details" and not one.is_ours)
    held = [one.held.frame for one in ledgers if one.held is not None]
    if rows < _LEAST_ROWS or any((frame["kind"] == CROWN).any() for frame in held):
        return []
    means = 'with renamed."<its heading>" = "<the heading named>" for each column that is called otherwise'
    return ask(
        "files_not_read.crowns",
        "crown_details",
        f"{count(rows, 'row')} of details of crowns are there, and the ledger has no crown.",
        ("tables.procedures", 'files = ["<those that are there>", "<the copy>"]', means),
    )


def _work_in(rows: pl.DataFrame, ids: pl.Series, notation: str) -> pl.DataFrame:
    """The patient, day and tooth of rows that have each, as `rows_held`; none of other tables, nor of films judged."""
    columns = [Column(n, name, name, rows[name]) for n, name in enumerate(rows.columns, 1)]
    teeth = [c for c in columns if fit(c.heading, "tooth") >= PART and max(c.teeth.values()) >= _NEARLY_ALL]
    days = [c for c in columns if c.date_share >= _NEARLY_ALL]
    people = [c for c in columns if _are_ids(c.texts, ids)]
    judged = any(fit(c.heading, field) >= PART for c in columns for field in ("pai", "symptomatic"))
    if judged or not (teeth and days and people):
        return pl.DataFrame(schema=dict(zip(_WORK, (pl.UInt64(), pl.Date(), pl.UInt8()), strict=True)))
    tooth = parse_teeth(teeth[0].texts, notation=notation)["tooth_fdi"].cast(pl.UInt8)
    # Of several days that a row has, any may be that of the work.
    who = people[0].texts.hash(0)
    each = [pl.DataFrame({"patient": who, "day": day.days.cast(pl.Date), "tooth": tooth}) for day in days]
    return pl.concat(each).drop_nulls().select(_WORK).unique()


def _ends(ledgers: Sequence[Seen], paths: Sequence[Path]) -> dict[str, End]:
    """How each text of the ledger ends."""
    is_line = {path.name: ends for path in paths if (ends := ends_a_line(path)) is not None}
    return {
        f"{one.table}: {one.file}": End(
            is_line[one.file], one.counted.last[1] == BROKEN, one.counted.last[1] not in ("", BROKEN)
        )
        for one in ledgers
        if one.file in is_line
    }


def _old_numbers(ledgers: Sequence[Seen], read: Sequence[Path]) -> list[Doubt]:
    """Lists that have a patient's number of the ledger twice in a row, in two columns, and never the same."""
    ids = pl.concat([one.who.people.select("id") for one in ledgers]).unique().drop_nulls()["id"]
    if ids.len() < _LEAST_PAIRS:
        return []
    for path, cells in pairs_beside(read):
        rows = cells.select(pl.all().str.strip_chars().replace("", None))
        columns = [c for c in rows.columns if rows[c].n_unique() >= _LEAST_PAIRS and _are_ids(rows[c], ids)]
        pairs = [(a, b) for a in columns for b in columns if a != b and rows[a].is_unique().all()]
        pair = next(((a, b) for a, b in pairs if (rows[a] != rows[b]).fill_null(True).all()), None)
        if pair is None:
            continue
        old, new = sorted(pair, key=lambda heading: not _OLD.search(heading)) if len(pairs) > 1 else pair
        file = f'files = ["{path.name}"]'
        # A number given up that stands in several rows is that of a family: another column says who.
        is_whole = not _OLD.search(new) or bool(_OLD.search(old))
        lines = (
            ("tables.patients", file, "with its folder; a line of files that is there takes it in too"),
            ("tables.patients", f"columns.patient_id = {quoted(old)}", "the number given up"),
            ("tables.patients", f"merged_into = {quoted(new)}", "the one that stands for it now"),
        )
        more = "" if is_whole else f' Each number in "{new}" may be of several people: give such a list whole numbers.'
        evidence = (
            f'beside the ledger lies {path.name}, which no table reads: its columns "{old}" and "{new}" hold '
            f"numbers of patients of the ledger, two in each of its {count(rows.height, 'row')} and never the "
            "same."
        )
        return ask("merged_patients.beside", "procedures", evidence, *(lines if is_whole else ()), more=more)
    return []


def _are_ids(column: pl.Series, ids: pl.Series) -> bool:
    filled = column.drop_nulls()
    return filled.len() > 0 and int(filled.is_in(ids.implode()).sum()) >= _NEARLY_ALL * filled.len()


_LEAST_SHARED, _LEAST_DAYS, _DIFFER, _MOST_SHIFT = 60, 60, 5, 10
_SAME, _SHIFTED, _ALIKE = 0.5, 0.6, 1.5
_CODED_WORK = ["patient", "code", "tooth"]


def overlap_doubts(seen: Sequence[Seen]) -> list[Doubt]:
    """A question for each pair of files of one ledger whose rows of the time that both hold are not the same."""
    # Where entries have numbers, a later row of the same number counts in place of an earlier one.
    held = [(Path(s.file).name, s.held) for s in seen if s.held is not None and "procedure_id" not in s.answers.columns]
    share = max((rows.one_in for _, rows in held), default=1)
    files = []
    for name, rows in held:
        frame = rows.frame.select(*_CODED_WORK, "day").filter(pl.col("patient") % share == 0)
        if frame.height >= _LEAST_SHARED:
            days = frame.select(first=pl.col("day").min(), last=pl.col("day").max()).row(0)
            files.append(_File(name, frame, set(frame["patient"]), *days))
    files.sort(key=lambda file: (file.first, file.last, file.name))
    pairs = [(a, b) for n, a in enumerate(files) for b in files[n + 1 :] if not a.patients.isdisjoint(b.patients)]
    return [doubt for a, b in pairs for doubt in _overlap(a, b)] + _deleted_since(seen)


def _deleted_since(seen: Sequence[Seen]) -> list[Doubt]:
    """A question for each two files whose entries have numbers, some of the first not in the second of that time."""
    files = []
    for one in seen:
        keys = OF + (one.answers.columns.get("procedure_id") or "")
        if one.held is None or keys not in one.held.frame.columns:
            continue
        # As `add_keys` writes them, where those that do not stand are among them.
        text = {"procedure_id": pl.col(keys)}
        text |= {"site_id": pl.col("site")} if "site_id" in one.answers.columns else {}
        frame = one.held.frame.select("day", **{f: e.str.strip_chars().str.to_lowercase() for f, e in text.items()})
        ids = frame.drop("day").hash_rows(seed=0)
        rows = frame.select("day", id=ids).filter(frame["procedure_id"] != "")
        every = [piece["id"] for piece in one.row_ids.pieces]
        if rows.height >= _LEAST_SHARED and every:
            files.append((Path(one.file).name, rows, pl.concat(every), one.row_ids.one_in))
    files.sort(key=lambda f: (f[1]["day"].min(), f[1]["day"].max(), f[0]))
    return [doubt for n, a in enumerate(files) for b in files[n + 1 :] for doubt in _deleted(a, b)]


def _deleted(one: _Keyed, other: _Keyed) -> list[Doubt]:
    (first, a, _, _), (last, b, there, one_in) = one, other
    start, end = b["day"].min(), min(a["day"].max(), b["day"].max())  # type: ignore[type-var]
    if not (isinstance(start, dt.date) and isinstance(end, dt.date)) or (end - start).days < _LEAST_DAYS:
        return []
    of = a.filter(pl.col("day").is_between(start, end), pl.col("id") % one_in == 0)
    gone = of.filter(~pl.col("id").is_in(there.implode())).height
    if gone < _DIFFER or of.height - gone < max(_LEAST_SHARED, _SHIFTED * of.height):
        return []
    evidence = (
        f"{first} and {last} both hold {start:%Y-%m-%d} to {end:%Y-%m-%d}; of {of.height:,} entries of that time in "
        f"{first} {gone:,} have a number that is not in {last}."
    )
    return ask("files_overlap.deleted", "procedures", evidence, _period(first, f"..{start - dt.timedelta(1)}", last))


def _period(file: str, time: str, other: str) -> Answer:
    return of_ledger(f"period_of_file.{quoted(file)} = {quoted(time)}", f"that time counts from {other}")


# The name of a file, `day, id` of its rows that stand, the ids of all its rows, and of how many they are one.
_Keyed = tuple[str, pl.DataFrame, pl.Series, int]


@dataclass(frozen=True)
class _File:
    name: str
    rows: pl.DataFrame
    patients: set[int]
    first: dt.date
    last: dt.date


def _overlap(one: _File, other: _File) -> list[Doubt]:
    start, end = max(one.first, other.first), min(one.last, other.last)
    if (end - start).days < _LEAST_DAYS:
        return []
    a, b = one.rows, other.rows
    a, b = (r.filter(pl.col("day").is_between(start, end)).unique() for r in (a, b))
    if min(a.height, b.height) < _LEAST_SHARED:
        return []
    on = [*_CODED_WORK, "day"]
    same = a.join(b, on=on, how="semi", nulls_equal=True).height
    lone = [x.join(y, on=on, how="anti", nulls_equal=True) for x, y in ((a, b), (b, a))]
    near = lone[0].join(lone[1], on=_CODED_WORK, suffix="_2", nulls_equal=True)
    near = near.filter((pl.col("day") - pl.col("day_2")).dt.total_days().abs() <= _MOST_SHIFT)
    shifted = near.select(*on).unique().height
    few = min(a.height, b.height)
    # Two offices or two kinds of work have no rows in common, and an export of some procedures has part of the other's.
    if same + shifted < _SHIFTED * few or max(a.height, b.height) > _ALIKE * few:
        return []
    if same >= _SAME * few:
        if sum(x.height for x in lone) < _DIFFER:
            return []
        way, how = "files_overlap", f"{same:,} stand in both"
    else:
        way = "files_overlap.shifted"
        how = f"{shifted:,} stand in both, but on days up to {_MOST_SHIFT} apart, and {same:,} on the same day"
    first, last = one.name, other.name
    return ask(
        way,
        "procedures",
        f"{first} and {last} both hold {start:%Y-%m-%d} to {end:%Y-%m-%d}; of their {a.height:,} and "
        f"{b.height:,} different rows of that time {how}.",
        _period(first, f"..{start - dt.timedelta(1)}", last),
        _period(last, f"{end + dt.timedelta(1)}..", first),
    )
