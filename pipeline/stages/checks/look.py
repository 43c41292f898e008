"""A look at a bounded sample of one table's files, by the rules under which they would be loaded."""

import datetime as dt
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.fields import input_fields, kind
from pipeline.practice.settings import Settings
from pipeline.practice.tables import INPUT_TABLES
from pipeline.reading import sources
from pipeline.reading.column_forms import column_forms, reading_of
from pipeline.reading.config import matching_files
from pipeline.reading.doubts import Seen
from pipeline.reading.doubts.look import seen_of
from pipeline.reading.mended_files import mended_of, read_options
from pipeline.reading.read_file import TYPING, clean_by_part
from pipeline.reading.set_aside import MendedFile
from pipeline.reading.sources import Source, open_source
from pipeline.reading.sources.mapping import resolve_columns
from pipeline.reading.sources.safe_path import refuse_outside
from pipeline.reading.suggest.sample import sample_source
from pipeline.stages.checks.shown_rows import ShownRows
from pipeline.transforms.dates import DateForm


@dataclass
class TableLook:
    """What was seen of one table. Counts but `rows_seen` are of the rows looked at.

    `rows` are those that would be loaded, typed; `aside` counts the others by reason, `notes` optional fields that
    would be left out by `(field, note)`; `refusals` are the messages that would stop the run; `forms` says how each
    date field is read, `columns` the heading of each field; `seen` has the sums that doubts are found in; `shown`
    rows with their cells; `mended` counts the rows of files of mended rows.
    """

    table: str
    files: int = 0
    mended: int = 0
    rows_seen: int = 0
    rows_looked_at: int = 0
    whole: bool = True
    columns: dict[str, str] = field(default_factory=dict)
    forms: dict[str, str] = field(default_factory=dict)
    refusals: list[str] = field(default_factory=list)
    aside: Counter[str] = field(default_factory=Counter)
    notes: Counter[tuple[str, str]] = field(default_factory=Counter)
    rows: pl.DataFrame = field(default_factory=pl.DataFrame)
    seen: list[Seen] = field(default_factory=list)
    shown: ShownRows = field(default_factory=ShownRows)

    @property
    def filled(self) -> dict[str, float]:
        """Share of the loadable rows with a value, by mapped field; `tooth` counts teeth that can be read."""
        if not self.rows.height:
            return {}
        names = {f: "tooth_fdi" if f == "tooth" else f for f in self.columns}
        return {f: 1 - self.rows[c].null_count() / self.rows.height for f, c in names.items() if c in self.rows.columns}


def look_at(
    settings: Settings, table: str, codes: pl.DataFrame, *, today: dt.date, say: Callable[[str], None]
) -> TableLook:
    """Read a sample of every file of a table as it would be loaded, those of mended rows too.

    A mended row does not take the place of the row that it mends here: that one is counted as set aside all the same.

    Raises ConfigError if the TOML does not fit the files; what the files themselves are at fault for becomes a refusal.
    """
    kinds = dict(codes.select("code", "event").iter_rows())
    schema = {name: kind for name, kind in INPUT_TABLES[table].schema.items() if name != "load_id"}
    look = TableLook(table, rows=pl.DataFrame(schema=schema), shown=ShownRows(kinds))
    for path in matching_files(settings, table):
        say(f"{table}: {path.name}: looking at it")
        look.files += 1
        try:
            refuse_outside(path, settings.path.parent)
            source = open_source(path, read_options(settings.tables[table], settings))
            _look_into(look, settings, source, path.name, codes, today=today)
        except DataError as error:
            look.refusals.append(str(error))
    try:
        for mended in mended_of(settings, table):
            say(f"{table}: {mended.name}: looking at its mended rows")
            look.mended += _look_into(look, settings, mended, mended.name, codes, today=today)
    except DataError as error:
        look.refusals.append(str(error))
    return look


def _look_into(
    look: TableLook, settings: Settings, source: Source, name: str, codes: pl.DataFrame, *, today: dt.date
) -> int:
    """Take one opened file into the look; returns how many rows it has."""
    told = settings.tables[look.table]
    told_columns = {} if source.spoken.fields else told.columns_in(source.headings)
    columns = resolve_columns(source.headings, told_columns, table=told.name, file=name)
    sampled = sample_source(source)
    # A few mended rows do not show how dates are written: the file that they were in first does, as at loading.
    shows = sample_source(source.root) if isinstance(source, MendedFile) else sampled
    look.rows_seen += sampled.rows_seen
    look.rows_looked_at += sampled.rows_held
    look.whole &= sampled.whole
    look.columns |= columns
    forms = column_forms(shows, columns, told, settings.practice, file=name, today=today, say=lambda _: None)
    look.forms |= {f: _in_words(form) for f, form in forms.dates.items()}
    for field_name in dict.fromkeys(f for of in forms.by_part.values() for f in of):
        by = {part: _in_words(of[field_name]) for part, of in forms.by_part.items() if field_name in of}
        look.forms[field_name] = "; ".join(f"{part}: {words}" for part, words in by.items())
    reading = reading_of(source, told, settings.practice, forms, file=name, codes=codes, today=today)
    found = [look.rows]
    seen = seen_of(settings, told.name, source, columns, codes, file=name)
    marked = (h for h, _, _ in (*seen.answers.marks, *seen.answers.codes))
    read = {*columns.values(), *seen.parts, *seen.answers.beside, *marked}
    for batch in sampled.batches():
        with sources.reading(name, TYPING):
            fields = seen.answers.fields(batch.rows)
            cleaned = clean_by_part(fields, batch, reading, forms)
            seen.add(batch.rows, fields, cleaned=cleaned.rows, rejects=cleaned.rejects, section=batch.section)
            seen.add_lines(batch.malformed)
        look.shown.add(table=look.table, file=name, batch=batch, headings=read, of=cleaned)
        look.aside.update(cleaned.rejects["reason"].to_list())
        look.aside.update(batch.malformed["reason"].fill_null("malformed_line").to_list())
        for field_name, note, rows in cleaned.notes.iter_rows():
            look.notes[field_name, note] += rows
        found.append(cleaned.rows)
    seen.dittos.update(getattr(source, "dittos", {}))
    seen.end(is_whole=sampled.whole)
    seen.counted.every = sampled.rows_seen
    look.rows = pl.concat(found)
    look.seen.append(seen)
    return sampled.rows_seen


def _in_words(form: DateForm) -> str:
    if form.pattern is not None:
        return f"as {form.pattern}"
    order = {True: "month/day", False: "day/month", None: "year first, or of one meaning only"}[form.month_first]
    years = f", two-digit years from {form.years_from}" if form.years_from is not None else ""
    serial = f", day numbers from {form.serial}" if form.serial is not None else ""
    return order + years + serial


def date_range(look: TableLook) -> dict[str, tuple[dt.date, dt.date]]:
    """The first and last day of each date field with any."""
    found = {}
    for name in (f for f in input_fields(look.table) if kind(look.table, f) == "date"):
        first, last = look.rows[name].min(), look.rows[name].max()
        if isinstance(first, dt.date) and isinstance(last, dt.date):
            found[name] = (first, last)
    return found
