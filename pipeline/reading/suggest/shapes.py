"""Tables in other shapes than a row a procedure, as far as their headings and names show: what `suggest` proposes.

Like `layouts`, whose finders these are: each gives the options with what it found, and the line.
"""

import re
from collections.abc import Sequence
from dataclasses import replace

import polars as pl

from pipeline.practice.fields import REQUIRED_FIELDS
from pipeline.reading.headings import PART, fit
from pipeline.reading.sources import Batch, ReadOptions, Source
from pipeline.reading.sources.record_lines import are_record_lines, label_of
from pipeline.reading.sources.repeated_columns import WORK
from pipeline.reading.suggest.code_words import likely_events
from pipeline.reading.suggest.layout_line import Found, LayoutLine
from pipeline.reading.suggest.looked import Looked
from pipeline.reading.suggest.masks import masked_samples
from pipeline.reading.suggest.toml_quote import quoted

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
    """A table on its side: the names of fields stand below each other, and none beside the first.

    `source` is opened without headings.
    """
    shown = [h for h in source.headings if not h.startswith("(")]
    if (
        options.transposed
        or options.record_lines
        or len(shown) < _LEAST
        or sum(b.rows.height for b in batches) > _MOST_LINES
    ):
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
