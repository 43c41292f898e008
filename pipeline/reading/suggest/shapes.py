"""Tables in other shapes than a row a procedure, as far as headings and the names of sheets and files show; finders as
in `layouts`: each gives the options with what it found, and the line."""

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import polars as pl

from pipeline.practice.fields import REQUIRED_FIELDS, input_fields
from pipeline.reading.headings import PART, fit
from pipeline.reading.sources import Batch, ReadOptions, Source
from pipeline.reading.sources.group_lines import read_templates
from pipeline.reading.sources.grouped import stem
from pipeline.reading.sources.record_lines import are_record_lines, label_of
from pipeline.reading.sources.repeated_columns import WORK
from pipeline.reading.sources.source import SHEET
from pipeline.reading.suggest.code_words import likely_events
from pipeline.reading.suggest.looked import Found, LayoutLine, Looked
from pipeline.reading.suggest.shown import masked_samples, quoted
from pipeline.transforms.month_names import MONTHS

_LEAST = 2
_LEAST_WORK, _DAYS = 3, 0.5  # columns of days headed by work, and share of their cells that are days
_WORDS, _TIMES = 0.95, 4  # share of the texts that are words, and how often each comes back
_MOST_LINES = 60  # a table on its side has so few lines at most
_OF_DAY = re.compile(r"(?i)\s*\b(?:dates?|datum|data|fecha|le|am|on)\b\s*")
_NUMBERED = re.compile(r"^(.*?\S)\s*(?:[-_#]|\bno\.?\s*)?\s*\(?(\d{1,2})\)?$")


def record_lines(lines: Sequence[str], options: ReadOptions) -> Found:
    """Records over several lines, a name and a value on each."""
    if not are_record_lines(lines):
        return options, None
    names = list(dict.fromkeys(name for line in lines if (name := label_of(line))))
    why = f"likely: most lines are a name and a value; names such as {', '.join(names[:4])}"
    return replace(options, record_lines=True, header_row=None), LayoutLine("record_lines", "true", why)


def transposed(source: Source, batches: Sequence[Batch], options: ReadOptions) -> Found:
    """A table on its side, opened without headings: names of fields below each other, none beside the first."""
    shown = [h for h in source.headings if not h.startswith("(")]
    height = sum(b.rows.height for b in batches)
    if options.transposed or options.record_lines or len(shown) < _LEAST or height > _MOST_LINES:
        return options, None
    lines = [row for b in batches if b.rows.height for row in b.rows.select(shown).cast(pl.String).rows()]
    lines += [tuple(str(line).split("\t")) for b in batches for line in b.malformed["raw_row"]]
    names = [line[0].strip() for line in lines if (line[0] or "").strip()]
    if len(names) > _MOST_LINES or len(set(names)) < len(names):
        return options, None
    needed = REQUIRED_FIELDS[options.table]
    first = [c for c in lines[0][1:] if c] if lines else []
    if not all(any(fit(n, f) >= PART for n in names) for f in needed) or all_called(first, needed):
        return options, None
    if not any(any(c.isdigit() for c in line[1] or "") for line in lines if len(line) > 1):
        return options, None
    why = f"likely: the names of fields stand below each other: {', '.join(names[:4])}"
    return replace(options, transposed=True, header_row=None), LayoutLine("transposed", "true", why)


def repeated_columns(source: Source, batches: Sequence[Batch], options: ReadOptions) -> Found:
    """Columns with the same headings again, or with headings that differ in a number, a code among them."""
    sets = _sets([h for h in source.headings if not h.startswith("(")])
    if options.repeated_columns or not sets or (code := _work_of(batches, sets[0])) is None:
        return options, None
    filled = [_rows_with(batches, one) for one in sets]
    value = "[" + ", ".join(f"[{', '.join(map(quoted, one))}]" for one in sets) + "]"
    cells = [c for b in batches if b.rows.height for c in b.rows[code].cast(pl.String) if c]
    rows = ", ".join(f"{n:,}" for n in filled)
    why = f"likely: {len(sets)} sets of columns side by side, each a row of its own (rows with one: {rows}); "
    return replace(options, repeated_columns=sets), LayoutLine("repeated_columns", value, why + shown_texts(cells))


def work_columns(source: Source, looked: Looked, options: ReadOptions) -> Found:
    """Columns of days, each headed by a piece of work of its own: a log with a line a tooth."""
    if options.repeated_columns or WORK in source.headings:
        return options, None
    headed = [c for c in looked.columns if likely_events(_OF_DAY.sub("", c.heading.lower()))]
    if len(headed) < _LEAST_WORK:
        return options, None
    cells = {c.heading: c.texts.drop_nulls() for c in headed if c.filled and c.date_share >= _DAYS}
    if len(cells) < _LEAST_WORK:
        return options, None
    value = "[" + ", ".join(f"[{quoted(h)}]" for h in cells) + "]"
    each = ", ".join(f"{h} {of.len():,}" for h, of in cells.items())
    why = (
        f'likely: columns of days under headings of work, each a row of its own whose "{WORK}" is the heading ({each})'
    )
    return replace(options, repeated_columns=tuple((h,) for h in cells)), LayoutLine("repeated_columns", value, why)


def ditto_marks(source: Source, batches: Sequence[Batch], options: ReadOptions) -> Found:
    """Marks for the same again, in any column."""
    marks = getattr(source, "dittos", {})
    if options.repeats or not marks:
        return options, None
    each = ", ".join(f"{n:,} in {heading}" for heading, n in sorted(marks.items()))
    why = f'likely: marks or words for the same again stand for the cell above ({each}); else write "empty"'
    return replace(options, repeats=True), LayoutLine("ditto_marks", '"above"', why)


def _sets(headings: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    """Headings in sets: of each name that stands with several numbers, the one with each number."""
    found: dict[str, dict[int, str]] = {}
    for heading in headings:
        match = _NUMBERED.match(heading)
        name, number = (match[1], int(match[2])) if match else (heading, 1)
        found.setdefault(name.strip().casefold(), {}).setdefault(number, heading)
    several = {name: of for name, of in found.items() if len(of) > 1 and not name.startswith("column")}
    if not several:
        return ()
    numbers = sorted({n for of in several.values() for n in of})
    whole = [of for of in several.values() if sorted(of) == numbers]
    if numbers != list(range(numbers[0], numbers[0] + len(numbers))) or numbers[0] > 1 or not whole:
        return ()
    return tuple(tuple(of[n] for of in whole) for n in numbers)


def _work_of(batches: Sequence[Batch], one: Sequence[str]) -> str | None:
    """The column of a set that says what was done: by its heading, or beside a tooth by texts that come back."""
    if headed := next((h for h in one if fit(_bare(h), "code") >= PART), None):
        return headed
    if not any(fit(_bare(h), "tooth") >= PART for h in one):
        return None
    for heading in one:
        cells = [b.rows[heading].cast(pl.String).drop_nulls() for b in batches if b.rows.height]
        texts = pl.concat(cells) if cells else pl.Series(dtype=pl.String)
        texts = texts.filter(texts.str.contains(r"\S"))
        words = texts.str.contains(r"\p{L}{3}").sum()
        if texts.len() and words >= _WORDS * texts.len() and _LEAST <= texts.n_unique() <= texts.len() / _TIMES:
            return heading
    return None


def _bare(heading: str) -> str:
    match = _NUMBERED.match(heading)
    return match[1] if match else heading


def _rows_with(batches: Sequence[Batch], one: Sequence[str]) -> int:
    texts = [pl.col(h).cast(pl.String).str.strip_chars().fill_null("") != "" for h in one]
    return sum(b.rows.select(pl.any_horizontal(texts).sum()).item() for b in batches if b.rows.height)


def has_patient(headings: Sequence[str]) -> bool:
    """Whether a heading is one of the patient's number."""
    return any(fit(h, "patient_id") >= PART for h in headings)


def all_called(headings: Sequence[str], fields: Sequence[str]) -> bool:
    """Whether each of these fields has a heading that fits it."""
    return all(any(fit(h, f) >= PART for h in headings) for f in fields)


def shown_texts(texts: Sequence[str]) -> str:
    """Some of the texts, masked, for the reason beside a line."""
    counts = pl.DataFrame({"text": list(texts)}, schema={"text": pl.String()}).group_by("text").agg(pl.len().alias("n"))
    return f"such as {' | '.join(masked_samples(counts))}"


_MOST = 0.8
_YEAR = re.compile(r"^(?:19|20)\d\d$|^\d{1,2}$")
_DAY = re.compile(r"(?<!\d)(?:19|20)\d{2}([-_.]?)(?:0[1-9]|1[0-2])\1(?:0[1-9]|[12]\d|3[01])(?!\d)")
_NUMBER = re.compile(r"\d+")
_AGAIN = re.compile(r"\s*\(\d{1,2}\)$")  # a spreadsheet numbers sheets of one name, and a folder its files
_TITLE = re.compile(r"(?i)^(?:dr|dra|dre|drs|prof|mudr|lek|oht|rdh|hyg|dh)\b\.?\s*\S")
_PERSON = re.compile(r"^[^\W\d_][^\d_]*(?:,\s*|\s+)[^\W\d_][^\d_]*$")


def sheet_names(source: Source, _batches: Sequence[Batch], options: ReadOptions) -> Found:
    """Sheets that are called by their patient, or by what was done, where no column says it."""
    shown = [h for h in source.headings if not h.startswith("(")]
    if SHEET not in source.headings or options.sheet_name or not all_called(shown, ("service_date",)):
        return options, None
    names = list(getattr(source, "sheets", ()))
    if not all_called(shown, ("code",)):
        if (form := form_of_work(names)) is None:
            return options, None
        what = "no column says what was done, and most sheets are called by work"
    elif has_patient(shown) or options.group_lines:
        if not are_clinicians(names) or any(fit(h, "provider_id") >= PART for h in shown):
            return options, None
        form, what = "{provider_id}", "no column says who treated, and the sheets are called by clinicians"
    elif (form := form_of_names(names)) is not None:
        what = "no column holds the patient, and each sheet is called by a number"
    elif are_persons(names):
        form = "{patient_id:words}"
        what = "no column holds the patient, and the sheets are called by names of people"
    else:
        return options, None
    read = read_templates([form], input_fields(options.table), where="", key="sheet_name")[0]
    why = f"likely: {what}; {len(names):,} sheets, {shown_texts(names)}"
    return replace(options, sheet_name=read), LayoutLine("sheet_name", quoted(form), why)


def form_of_names(names: Sequence[str]) -> str | None:
    """The template of names that differ in one number, which is no year or month: `chart-{patient_id}`."""
    if len(names) < _LEAST:
        return None
    plain = [_AGAIN.sub("", name) for name in names]
    found = [list(_NUMBER.finditer(name)) for name in plain]
    if any(len(of) != 1 for of in found):
        return None
    around = {(name[: of[0].start()], name[of[0].end() :]) for name, of in zip(plain, found, strict=True)}
    numbers = [of[0].group() for of in found]
    if len(around) != 1 or len(set(numbers)) < len(set(plain)) or len(set(numbers)) < _LEAST:
        return None
    if all(map(_YEAR.match, numbers)):
        return None
    before, after = next(iter(around))
    if before and sum(c.isalpha() for c in before) < _LEAST:
        return None
    return f"{before}{{patient_id}}{' {*}' if after or plain != list(names) else ''}"


def form_of_work(names: Sequence[str]) -> str | None:
    """The template of names that say what was done, `Patient.{code:words}`; None for others."""
    before = _common_start(names)
    parts = [name.removeprefix(before) for name in names]
    events = [events for part in parts if len(events := likely_events(part)) == 1]
    if len(names) < _LEAST or len(events) < _MOST * len(names) or len(set(events)) < _LEAST:
        return None
    return f"{before}{{code:words}}"


def day_in_name(path: Path, source: Source, options: ReadOptions) -> Found:
    """A file whose name holds a day, where neither a column nor a line above its rows does: `daysheet_20190304`."""
    told = [*source.headings, *(name for template in options.group_lines for name in template.fields)]
    days = list(_DAY.finditer(name := stem(path.name)))
    named = any(one.field == "service_date" for one in options.made) or options.file_name is not None
    if len(days) != 1 or named or any(fit(h, "service_date") >= PART for h in told):
        return options, None
    shown = [h for h in source.headings if not h.startswith("(")]
    if not (has_patient(shown) and all_called(shown, ("code",))):
        return options, None
    form = f"{name[: days[0].start()]}{{service_date}}{name[days[0].end() :]}"
    read = read_templates([form], input_fields(options.table), where="", key="file_name")[0]
    why = (
        "ask: no column holds the day of the work, and the name of the file holds a day. If it is the day of all work "
        f"in it, and not that of the export, write {quoted(form)}; else export the day of each row"
    )
    return replace(options, file_name=read), LayoutLine("file_name", '"ask"', why)


def are_persons(names: Sequence[str]) -> bool:
    """Whether names are those of people: two words or more without a digit, none a month or a word of the trade."""
    like = [n for n in names if _PERSON.match(_AGAIN.sub("", n)) and not _is_of_trade(n)]
    return len(like) >= _LEAST and len(like) >= _MOST * len(names)


def are_clinicians(names: Sequence[str]) -> bool:
    """Whether most names have a title as clinicians do."""
    titled = [name for name in names if _TITLE.match(name)]
    return len(names) >= _LEAST and 2 * len(titled) > len(names)


def _is_of_trade(name: str) -> bool:
    words = re.findall(r"[^\W\d_]+", name.lower())
    fields = ("patient_id", "service_date", "code", "status", "provider_id", "fee")
    return bool(likely_events(name)) or any(w in MONTHS for w in words) or any(fit(name, f) >= PART for f in fields)


def _common_start(names: Sequence[str]) -> str:
    """What names of tables within others have in common, to the last point: `Patient.`."""
    starts = {name.rpartition(".")[0] for name in names}
    start = next(iter(starts)) if len(starts) == 1 else ""
    return f"{start}." if start else ""
