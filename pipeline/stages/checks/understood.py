"""What was understood of a practice's files, read back in plain words for whoever knows the practice.

Finders of doubts see what somebody thought of. This is the net below them: counts by year, weekday, clinician and code,
rows of every kind with their cells as written, and teeth from their first row to the last, to be held against what the
practice knows of itself. It names days and teeth of patients, so it is a file for inside, never for the screen.
"""

import datetime as dt
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.machine.one_line import one_line
from pipeline.machine.private_files import MARK_IN_WORDS
from pipeline.practice.codes import EVENTS
from pipeline.practice.counts import count
from pipeline.practice.settings import Settings
from pipeline.practice.table_settings import MONTHS
from pipeline.practice.teeth import teeth, write_teeth
from pipeline.reading.doubts.cells import STANDS
from pipeline.stages.checks.look import TableLook
from pipeline.stages.checks.shown_rows import NOT_KNOWN, ShownRow

NAME = "understood"
_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_STATUS = {
    "planned": "PLANNED ONLY: it does not count as done",
    "existing": "was there BEFORE, done elsewhere",
    "void": "TAKEN BACK: it does not count",
}
_MOST_YEARS, _MOST_CODES, _MOST_PEOPLE, _MOST_TEETH, _MOST_TEXTS, _MOST_CELL = 12, 80, 30, 3, 3, 60
_OF_A_STORY = ("crown_placement", "endo_initial", "endo_retreatment", "extraction")
_SAID_OTHERWISE = {"row_number", "part", "supernumerary", "tooth"}


def understood(settings: Settings, looks: Mapping[str, TableLook], codes: pl.DataFrame) -> str:
    """The whole text: of the ledger what its rows are together, then rows of every table one by one."""
    ledger, notation = looks["procedures"], settings.practice.tooth_notation
    lines = [
        MARK_IN_WORDS,
        "",
        f"What was understood of the files that {settings.path.name} names. Nothing was loaded.",
        "Whatever is wrong here is wrong on every page. Look through it before you run.",
    ]
    if not ledger.whole:
        looked_at = f"{ledger.rows_looked_at:,} of {ledger.rows_seen:,}"
        lines.append(f"Counts are of the rows of the ledger looked at, {looked_at}.")
    if not_read := [message.splitlines()[0] for look in looks.values() for message in look.refusals]:
        lines += ["These stop the run, and what they are about is NOT in here:", *(f"  {said}" for said in not_read)]
    kinds = dict(codes.select("code", "event").iter_rows())
    event = pl.col("code").replace_strict(kinds, default=NOT_KNOWN, return_dtype=pl.String)
    rows = ledger.rows.with_columns(event=event)
    done = rows.filter(STANDS, pl.col("service_date").is_not_null())
    if done.height:
        lines += _part("Work done by year. Is that about what your own reports say?", _years(done))
        lines += _part("Days of the week. Are there days on which you are closed?", _weekdays(done))
        lines += _part("Who did it. Is somebody missing, or credited with the work of others?", _people(done))
    lines += _part("What each code was taken for", _codes(rows, _texts(ledger)))
    lines += _part("What the rows of the ledger say of themselves", _statuses(rows))
    if stories := _stories(done, notation):
        lines += _part("Teeth from first to last. Open these charts beside it", stories)
    chosen = [row for look in looks.values() for row in look.shown.chosen()]
    read, aside = [r for r in chosen if not r.why], [r for r in chosen if r.why]
    lines += _part("Rows as written, and as they were understood", _rows(read, notation, kinds))
    lines += _part("Rows that are set aside: they count for nothing", _rows(aside, notation, kinds))
    return "\n".join(lines) + "\n"


def _part(title: str, lines: Sequence[str]) -> list[str]:
    return ["", "", title, "-" * len(title), *lines] if lines else []


def _years(done: pl.DataFrame) -> list[str]:
    """A line for each kind of work, a column for each of the last years."""
    done = done.with_columns(year=pl.col("service_date").dt.year())
    years = done["year"].unique().sort().to_list()[-_MOST_YEARS:]
    of = {(event, year): n for event, year, n in done.group_by("event", "year").len().iter_rows()}
    people = dict(done.group_by("year").agg(pl.col("patient_id").n_unique()).iter_rows())
    kinds = done["event"].value_counts().sort(["count", "event"], descending=[True, False])["event"].to_list()
    wide = max(map(len, map(_about, kinds)))
    lines = [_line("", years, wide), _line("patients seen", [people[y] for y in years], wide)]
    lines += [_line(_about(kind), [of.get((kind, y), 0) for y in years], wide) for kind in kinds]
    earlier = done.filter(pl.col("year") < years[0]).height
    return lines + ([f"and {count(earlier, 'row')} of years before"] if earlier else [])


def _line(name: str, numbers: Sequence[int], wide: int) -> str:
    return f"{name:{wide}}" + "".join(f"{n:>7}" for n in numbers)


def _weekdays(done: pl.DataFrame) -> list[str]:
    rows = dict(done.group_by(pl.col("service_date").dt.weekday()).len().iter_rows())
    return [f"{day:<10}{rows.get(number, 0):>8,}" for number, day in enumerate(_DAYS, 1)]


def _people(done: pl.DataFrame) -> list[str]:
    year = pl.col("service_date").dt.year()
    who = done.group_by(who=pl.col("provider_id").fill_null("(nobody named)")).agg(
        pl.len().alias("n"),
        year.min().alias("first"),
        year.max().alias("last"),
        *((pl.col("event") == event).sum().alias(event) for event in _OF_A_STORY),
    )
    lines = []
    for name, n, first, last, crowns, canals, again, lost in who.sort("n", "who", descending=[True, False]).iter_rows():
        work = f"{count(crowns, 'crown')}, {count(canals + again, 'root canal')}, {count(lost, 'extraction')}"
        lines.append(f"{name}: {count(n, 'row')}, {first} to {last}; {work}")
    return _at_most(lines, _MOST_PEOPLE)


def _codes(rows: pl.DataFrame, texts: Mapping[str, Sequence[str]]) -> list[str]:
    """Each code with what it is taken for, its rows, its fees, and what most often stands beside it: one that means two
    things has two fees, and two texts."""
    fee = pl.col("fee").cast(pl.Float64).filter(pl.col("fee") > 0)
    by = rows.group_by("code", "event").agg(pl.len().alias("n"), fee.min().alias("low"), fee.max().alias("high"))
    lines = []
    for code, event, n, low, high in by.sort(["n", "code"], descending=[True, False]).iter_rows():
        fees = "" if low is None else f", {low:,.2f}" if low == high else f", {low:,.2f} to {high:,.2f}"
        beside = f"   (beside it: {', '.join(map(_cell, texts[code]))})" if code in texts else ""
        lines.append(f"{_cell(code)}: {_about(event)}   ({count(n, 'row')}{fees}){beside}")
    return _at_most(lines, _MOST_CODES)


def _texts(ledger: TableLook) -> dict[str, list[str]]:
    """The commonest texts beside each code, of a column of descriptions that nothing reads."""
    counts: Counter[tuple[str, str]] = Counter()
    for seen in ledger.seen:
        counts.update(seen.texts.rows)
    found: dict[str, list[str]] = {}
    for (code, text), _ in sorted(counts.items(), key=lambda one: (-one[1], one[0])):
        if len(of := found.setdefault(code, [])) < _MOST_TEXTS:
            of.append(text)
    return found


def _statuses(rows: pl.DataFrame) -> list[str]:
    status = pl.col("status").cast(pl.String).fill_null("completed")
    counts = rows.group_by(status).len().sort("len", descending=True)
    return [f"{count(n, 'row')}: {_STATUS.get(word, 'done')}" for word, n in counts.iter_rows()]


def _stories(done: pl.DataFrame, notation: str) -> list[str]:
    """Some teeth with a root canal or a crown and work on several days, each row of theirs in turn."""
    on_teeth = done.filter(pl.col("tooth_fdi").is_not_null())
    tooth = ("patient_id", "tooth_fdi")
    each = on_teeth.group_by(tooth).agg(
        pl.col("event").filter(pl.col("event").is_in(_OF_A_STORY)).n_unique().alias("kinds"),
        pl.col("service_date").n_unique().alias("days"),
    )
    drawn = each.filter(pl.col("days") > 1, pl.col("kinds") > 0).with_columns(
        drawn=pl.struct(tooth).hash(0), few=-pl.col("kinds").cast(pl.Int32)
    )
    lines: list[str] = []
    for patient, number in drawn.sort("few", "drawn").head(_MOST_TEETH).select(tooth).iter_rows():
        of = on_teeth.filter(pl.col("patient_id") == patient, pl.col("tooth_fdi") == number)
        lines += ["", f"patient {_cell(patient)}, {_tooth(number, notation)}"]
        for row in of.sort("service_date", "row_number").iter_rows(named=True):
            lines.append(f"    {_day(row['service_date'])}: {_about(row['event'])}{_by(row)}")
    return lines[1:]


def _rows(shown: Sequence[ShownRow], notation: str, kinds: Mapping[str, str]) -> list[str]:
    lines: list[str] = []
    for row in shown:
        lines += ["", f"{row.file}, row {row.number}"]
        lines.append(f"    written     {_cells(row.read)}")
        if row.beside:
            lines.append(f"    not read    {_cells(row.beside)}")
        said = row.why or (_work if row.table == "procedures" else _values)(row.typed, notation, kinds)
        lines.append(f"    {'set aside' if row.why else 'understood'}  {'  ' if row.why else ''}{said}")
    return lines[1:]


def _work(typed: Mapping[str, Any], notation: str, kinds: Mapping[str, str]) -> str:
    """One row of the ledger as a sentence."""
    when = _day(typed["service_date"]) if typed["service_date"] else "on no day that is known"
    where = f" on the {_tooth(typed['tooth_fdi'], notation)}" if typed["tooth_fdi"] else ""
    fee = "" if typed["fee"] is None else f", fee {typed['fee']:,.2f}"
    stands = _STATUS.get(typed["status"] or "", "")
    what = f"{_about(kinds.get(typed['code'], NOT_KNOWN))} ({_cell(typed['code'])})"
    said = f"patient {_cell(typed['patient_id'])}, {when}: {what}{where}{_by(typed)}{fee}"
    return f"{said}; {stands}" if stands else said


def _values(typed: Mapping[str, Any], notation: str, _: Mapping[str, str]) -> str:
    """One row of another table, field by field."""
    found = {f: v for f, v in typed.items() if v is not None and f not in _SAID_OTHERWISE}
    said = {f: _tooth(v, notation) if f == "tooth_fdi" else _said(v) for f, v in found.items()}
    return "; ".join(f"{f.removesuffix('_fdi').replace('_', ' ')} {text}" for f, text in said.items())


def _said(value: object) -> str:
    return _day(value) if isinstance(value, dt.date) else _cell(str(value))


def _by(row: Mapping[str, Any]) -> str:
    return f", by {_cell(row['provider_id'])}" if row["provider_id"] else ""


def _about(event: str) -> str:
    return EVENTS.get(event, event)


def _day(day: dt.date) -> str:
    return f"{_DAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1].title()} {day.year}"


def _tooth(number: int, notation: str) -> str:
    """A tooth by its name and by its number as the practice writes it."""
    (written,) = write_teeth(pl.Series([number]), notation=notation)
    (name,) = teeth().filter(pl.col("fdi") == number)["name"]
    return f"{name} (tooth {written})"


def _cells(cells: Mapping[str, str]) -> str:
    return " | ".join(f"{_cell(h)}: {_cell(text)}" for h, text in cells.items())


def _cell(text: str) -> str:
    """A text on one line, not too long."""
    plain = one_line(text)
    return plain if len(plain) <= _MOST_CELL else f"{plain[: _MOST_CELL - 1]}…"


def _at_most(lines: list[str], most: int) -> list[str]:
    return lines if len(lines) <= most else [*lines[:most], f"and {len(lines) - most:,} more"]
