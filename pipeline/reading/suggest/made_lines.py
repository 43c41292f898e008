"""Fields that stand in several columns or in a text: what `suggest` proposes of them, and the counts for it. As in
`layouts` each finding becomes a line; `sources.made_columns` applies it. Words of headings are from memory: common
practice, no source."""

import re
from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.table_settings import Made
from pipeline.practice.words import words_of
from pipeline.reading.headings import EXACT, NOT_OURS, PART, fit, numbered_like, plain_heading
from pipeline.reading.sources import ReadOptions, Source
from pipeline.reading.sources.grouped import stem
from pipeline.reading.sources.made_columns import (
    BEHIND_CODE,
    FILE,
    FLAGS,
    LIST,
    NO_TICKS,
    PARTS,
    PLACES,
    RANGE,
    TEXT,
    TICKS,
    WORDS,
    dates_in_parts,
    flag_headings,
    quadrant_of,
    teeth_between,
    teeth_in,
    words_beside_teeth,
)
from pipeline.reading.sources.repeated_columns import PARTED, parts_of
from pipeline.reading.sources.source import SHEET
from pipeline.reading.suggest.looked import Found, LayoutLine, Looked
from pipeline.reading.suggest.match import are_words
from pipeline.reading.suggest.profile import Column
from pipeline.reading.suggest.shown import masked_samples, quoted, quoted_list
from pipeline.transforms.month_names import MONTHS

_MOST, _NEARLY_ALL = 0.85, 0.95
_LEAST = 3
_DIFFERENT = 5  # codes or teeth, for a count may be one too
_SOME = 0.1  # share of the rows whose text names a tooth, from which it is proposed
_FLAGS = 8
_FEWEST_BEHIND = 6  # different teeth
_MOST_LISTED = 8
_QUADRANTS = 4
# A day and a month without a year: `14.03.`, `3/14`; as a decimal number the zero at its end may be gone.
_DAY_AND_MONTH = r"^(?:\d{1,2}\.\s?\d{1,2}\.|\d{2}\.\d{2}|\d{1,2}[/ -]\d{1,2}[/-]?|\d{1,2}[. /-]{1,2}\p{L}{3,}\.?)$"
_DAY_CELL = r"^(?:0?[1-9]|[12]\d|3[01])(?:\.0+)?$"
_BORN = {"birth", "born", "dob", "geburt", "geburts", "naissance", "nacimiento", "geboorte", "nascimento", "nascita"}
_ENDS = (
    ("from", "to"), ("from", "thru"), ("from", "through"), ("start", "end"), ("begin", "end"), ("first", "last"),
    ("von", "bis"), ("de", "a"), ("du", "au"), ("desde", "hasta"), ("van", "tot"), ("da", "a"), ("da", "ad"),
)  # fmt: skip


def find_dates(source: Source, looked: Looked, options: ReadOptions) -> Found:
    """A year, a month and a day, each in a column of its own."""
    columns = looked.columns
    for year, month, day in _triples(columns):
        rest = plain_heading(year.heading).split()
        field = "birth_date" if set(rest) & _BORN else "service_date"
        others = [c for c in columns if c not in (year, month, day)]
        if any(fit(c.heading, field) >= PART and c.date_share >= 0.5 for c in others):
            continue
        if not (_is_year(year) and _is_month(month) and day.number_within(1, 31) >= _NEARLY_ALL):
            continue
        headings = (year.name, month.name, day.name)
        why = f"likely: the headings say so, and the values are years, months and days; {_seen(year, month, day)}"
        line = LayoutLine(f"columns.{field}", quoted_list(headings), why, field, headings)
        return _with(options, Made(field, PARTS, headings)), line
    return options, None


def find_month_in_name(source: Source, looked: Looked, options: ReadOptions) -> Found:
    """A column of days, where the name of the sheet or of the file says the month and the year, or the year alone, or
    that of the sheet the month and that of the file the year."""
    columns = looked.columns
    if any(one.field == "service_date" for one in options.made):
        return options, None
    if any(fit(c.heading, "service_date") >= PART and c.date_share >= 0.5 for c in columns):
        return options, None
    known = words_of("part")["day"]
    named = [c for c in columns if fit(c.heading, "service_date") >= PART or plain_heading(c.heading) in known]
    headed = [c for c in named if c.filled]
    days = [c for c in headed if max(c.matches(_DAY_CELL), c.matches(_DAY_AND_MONTH)) >= _MOST]
    if len(days) != 1:
        return options, None
    day = days[0]
    has_month = day.matches(_DAY_AND_MONTH) >= _MOST
    sheets, file = list(getattr(source, "sheets", ())), stem(getattr(source, "file", ""))
    both = "" if has_month else "the name of the file says the year, that of the sheet the month, the column the day"
    of_one = "the year, and the column day and month" if has_month else "month and year, and the column the day"
    for places, names, says in (
        ((SHEET,), (sheets,), f"the name of the sheet says {of_one}"),
        ((FILE,), ([file],), f"the name of the file says {of_one}"),
        ((FILE, SHEET), ([file] * len(sheets), sheets), both),
    ):
        cells = ["9.9." if has_month else "9"] * len(names[0])
        headings = (*places, day.name)
        made = dates_in_parts(headings, [pl.Series(column, dtype=pl.String) for column in (*names, cells)])
        short = made.str.contains(r"^9-\p{L}+-\d{2}$").mean() or 0
        share = max(Column(1, "", "", made).date_share, short if isinstance(short, float) else 0)
        if not (says and cells) or share < _MOST:
            continue
        line = LayoutLine(
            "columns.service_date", quoted_list(headings), f"likely: {says}; {_seen(day)}", "service_date", (day.name,)
        )
        return _with(options, Made("service_date", PARTS, headings)), line
    return options, None


def find_range(source: Source, looked: Looked, options: ReadOptions) -> Found:
    """The first and the last tooth of a row in two columns."""
    columns = looked.columns
    for first, last in product(columns, columns):
        words = plain_heading(first.heading).split(), plain_heading(last.heading).split()
        ends = next((e for e in _ENDS if e[0] in words[0] and e[1] in words[1] and first is not last), None)
        if ends is None:
            continue
        bare = [" ".join(w for w in of if w != end) for of, end in zip(words, ends, strict=True)]
        if bare[0] != bare[1] or fit(bare[0], "tooth") < PART:
            continue
        if min(max(first.teeth.values()), max(last.teeth.values())) < _MOST:
            continue
        headings = (first.name, last.name)
        both = teeth_between(first.texts, last.texts)
        several, filled = int(both.str.contains(" - ", literal=True).sum()), len(both) - both.null_count()
        value = quoted_list(headings)
        told = f"{several:,} of {filled:,} rows with a tooth name two different ones; {_seen(first, last)}"
        why = f"likely: both name the same tooth; {told}"
        if several:
            why = (
                f"{value} if such a row is work on every tooth from the one to the other along the arch? Else take "
                f"this line out and write columns.tooth = {quoted(first.name)}: {told}"
            )
            value = '"ask"'
        return _with(options, Made("tooth", RANGE, headings)), LayoutLine("tooth_range", value, why, "tooth", headings)
    return options, None


def find_list(source: Source, looked: Looked, options: ReadOptions) -> Found:
    """Several teeth of a row, each in a numbered column of its own."""
    columns = looked.columns
    if any(one.field == "tooth" for one in options.made):
        return options, None
    for first in columns:
        further = numbered_like(first.heading, source.headings)
        of = [first, *(c for c in columns if c.heading in further)]
        if not further or len(of) > _MOST_LISTED or fit(re.sub(r"\d+$", "", first.heading), "tooth") < PART:
            continue
        codes = [c for c in columns if fit(re.sub(r"\d+$", "", c.heading), "code") == EXACT]
        if any(numbered_like(c.heading, source.headings) for c in codes):
            continue  # several procedures side by side, each with its tooth
        if any(c.filled and (max(c.teeth.values()) < _MOST or _is_ticked(c)) for c in of):
            continue
        headings = tuple(c.name for c in of)
        several = sum(c.n - c.texts.null_count() for c in of[1:])
        why = f"likely: numbered columns of teeth, and {several:,} cells are filled beside the first; {_seen(*of)}"
        return _listed(options, headings, why)
    return options, None


def find_quadrants(source: Source, looked: Looked, options: ReadOptions) -> Found:
    """A column for each quadrant, with the places of the teeth in it."""
    if any(one.field == "tooth" for one in options.made):
        return options, None
    columns = [c for c in looked.columns if quadrant_of(c.heading)]
    filled = [c for c in columns if c.filled]
    if len({quadrant_of(c.heading) for c in columns}) < _QUADRANTS or len(columns) > _QUADRANTS or not filled:
        return options, None
    if any(c.matches(PLACES) < _NEARLY_ALL for c in filled):
        return options, None
    headings = tuple(c.name for c in columns)
    why = f"likely: a column for each quadrant, with places from 1 to 8; {_seen(*filled)}"
    return _listed(options, headings, why)


def _listed(options: ReadOptions, headings: tuple[str, ...], why: str) -> Found:
    line = LayoutLine("tooth_list", quoted_list(headings), why, "tooth", headings)
    return _with(options, Made("tooth", LIST, headings)), line


def _is_ticked(column: Column) -> bool:
    return column.distinct <= 2 and column.matches(TICKS) + column.matches(NO_TICKS) >= _NEARLY_ALL


def find_flags(source: Source, looked: Looked, options: ReadOptions) -> Found:
    """A column for each tooth, with a tick in it."""
    columns = looked.columns
    stems: dict[str, list[Column]] = {}
    for column in columns:
        if match := re.fullmatch(r"(.*?)\s*\d{1,2}", column.heading.strip()):
            stems.setdefault(match[1], []).append(column)
    for begin, of in stems.items():
        pattern = f"{begin}{{tooth}}"
        named = flag_headings(pattern, [c.heading for c in of])
        if len(named) < _FLAGS or any(fit(c.heading, "tooth") >= PART and c.filled for c in columns if c not in of):
            continue
        filled = [c for c in of if c.filled]
        if not filled or any(c.matches(TICKS) + c.matches(NO_TICKS) < _NEARLY_ALL for c in filled):
            continue
        ticks = sum(int(c.counts.filter(pl.col("text").str.contains(TICKS))["n"].sum()) for c in filled)
        if ticks > 4 * filled[0].n:
            continue
        names = tuple(c.name for c in of)
        seen = f"{ticks:,} ticks in {of[0].n:,} rows"
        why = f"likely: {len(named)} columns are headed so, one for each tooth, with {seen}"
        line = LayoutLine("tooth_flags", quoted(pattern), why, "tooth", names)
        return _with(options, Made("tooth", FLAGS, (pattern,))), line
    return options, None


def find_code_lists(source: Source, looked: Looked, options: ReadOptions) -> Found:
    """Several codes in a cell, of which some have their tooth behind them: `D0120; D2740(14)`."""
    columns = looked.columns
    if options.cell_lists or any(one.field == "tooth" for one in options.made) or any(map(_may_be_teeth, columns)):
        return options, None
    for column in (c for c in columns if c.filled and fit(c.heading, "code") >= PART):
        parts = [part for text in column.texts.drop_nulls() for part in parts_of(text)]
        several = len(parts) - (column.n - column.texts.null_count())
        if several >= _LEAST and _has_teeth_behind(Column(1, "", "", pl.Series(parts, dtype=pl.String))):
            why = f"likely: {several:,} more codes than cells, some with a tooth behind; {_seen(column)}"
            changed = replace(options, cell_lists=(column.name,))
            return changed, LayoutLine("cell_lists", f"[{quoted(column.name)}]", why)
    return options, None


def find_lists_beside(source: Source, looked: Looked, options: ReadOptions) -> Found:
    """Several codes in a cell, and as many parts in the cell of another column: `D0120; D2740` beside `-; 14`."""
    if options.cell_lists:
        return options, None
    parted = {}
    for column in (c for c in looked.columns if c.matches(PARTED) >= _SOME):
        is_fee = fit(column.heading, "fee") >= PART
        parted[column.name] = column, [len(parts_of(text, is_fee=is_fee)) for text in column.texts]
    codes = [name for name, (c, _) in parted.items() if fit(c.heading, "code") >= PART and c.date_share < _SOME]
    for name in codes:
        column, lengths = parted[name]
        several = [row for row, n in enumerate(lengths) if n > 1]
        like = [
            other
            for other, (_, of) in parted.items()
            if other != name and sum(of[r] == lengths[r] for r in several) >= _NEARLY_ALL * len(several)
        ]
        if len(several) < _LEAST or not like:
            continue
        seen = [column, *(parted[other][0] for other in like)]
        why = f"likely: {len(several):,} of {column.n:,} rows hold several, as many in each; {_seen(*seen)}"
        return replace(options, cell_lists=(name, *like)), LayoutLine("cell_lists", quoted_list((name, *like)), why)
    return options, None


def find_in_text(source: Source, looked: Looked, options: ReadOptions) -> Found:
    """Teeth named in a description, where no column is one of teeth."""
    columns = looked.columns
    own = [c for c in columns if _may_be_teeth(c)]
    if any(one.field == "tooth" for one in options.made) or len(own) > 1:
        return options, None
    best: tuple[int, Column, pl.Series] | None = None
    for column in columns:
        names_some = column.matches(r"\p{L}{3,}") >= 0.5 or _has_teeth_behind(column)
        if column.filled < 0.2 or not names_some or fit(column.heading, "patient_id") == EXACT:
            continue
        found = teeth_in(column.texts)
        if column in own or (own and not _names_more(found, own[0].texts)):
            continue
        rows = len(found) - found.null_count()
        if rows >= max(_LEAST, _SOME * column.n) and (best is None or rows > best[0]):
            best = rows, column, found
    if best is None:
        return options, None
    rows, column, found = best
    counts = pl.DataFrame({"text": column.texts.filter(found.is_not_null())}).group_by("text").agg(pl.len().alias("n"))
    several = int(found.str.contains(r"[,&/-]").sum())
    more = f"the column {quoted(own[0].name)} has one tooth on rows whose text has more" if own else ""
    there = more or "no column of teeth is there"
    why = (
        f"likely: {there}, and {rows:,} of {column.n:,} rows name one in this text after # or a word for tooth, in "
        f"brackets or behind a code, {several:,} of them several; such as {' | '.join(masked_samples(counts))}"
    )
    line = LayoutLine("tooth_in_text", quoted(column.name), why, "tooth", tuple(c.name for c in own))
    return _with(options, Made("tooth", TEXT, (column.name,))), line


def _names_more(found: pl.Series, own: pl.Series) -> bool:
    """Whether texts name a tooth on nearly all rows that have one in their own column, and on some rows more."""
    both = pl.DataFrame({"found": found, "own": own}).drop_nulls("own")
    is_list = pl.col("found").str.contains(r"[,&+/]") & ~pl.col("own").str.contains(r"[,&+/-]")
    n = both.select(pl.col("found").count().alias("named"), is_list.sum().alias("more")).row(0)
    return bool(n[0] >= _NEARLY_ALL * both.height and n[1] >= _LEAST)


def find_code_in_text(source: Source, looked: Looked, options: ReadOptions) -> Found:
    """The text that names teeth, where it is the only column that says what was done."""
    told = next((one.headings[0] for one in options.made if one.how == TEXT), None)
    columns = looked.columns
    others = [c for c in columns if c.name not in (told, "tooth")]
    may_be = (c.distinct >= _DIFFERENT and max(c.codes.values()) >= _MOST for c in others)
    if told is None or any(fit(c.heading, "code") >= PART for c in others) or any(may_be):
        return options, None
    column = next(c for c in columns if c.name == told)
    words = words_beside_teeth(column.texts)
    is_work = are_words(replace(column, texts=words)) and not any(are_words(c) for c in others)
    if not is_work and fit(column.heading, "code") < PART and fit(column.heading, NOT_OURS) < PART:
        return options, None
    why = (
        f"likely: no column of codes is there; without the teeth it has {words.drop_nulls().n_unique():,} different "
        f"texts in {count(column.n, 'row')}"
    )
    return _with(options, Made("code", WORDS, (told,))), LayoutLine("columns.code", quoted(told), why, "code", (told,))


def _has_teeth_behind(column: Column) -> bool:
    """Whether codes have teeth behind them, and not a few marks of the practice's own (`D2740.1`)."""
    told = [match[2] for text in column.common["text"] if (match := BEHIND_CODE.match(text)) and match[2]]
    teeth = Column(0, "", "", pl.Series(told, dtype=pl.String))
    return teeth.distinct >= _FEWEST_BEHIND and max(teeth.teeth.values()) >= _NEARLY_ALL


FINDERS = (
    find_lists_beside,
    find_dates,
    find_month_in_name,
    find_range,
    find_flags,
    find_list,
    find_quadrants,
    find_code_lists,
    find_in_text,
    find_code_in_text,
)


def _with(options: ReadOptions, made: Made) -> ReadOptions:
    return replace(options, made=(*options.made, made))


def _triples(columns: Sequence[Column]) -> list[tuple[Column, Column, Column]]:
    """Columns headed by words for year, month and day, with the same other words."""
    by_rest: dict[tuple[str, ...], dict[str, Column]] = {}
    for column in columns:
        words = plain_heading(column.heading).split()
        for part, known in words_of("part").items():
            if len(own := [w for w in words if w in known]) == 1:
                by_rest.setdefault(tuple(w for w in words if w != own[0]), {}).setdefault(part, column)
    return [(of["year"], of["month"], of["day"]) for of in by_rest.values() if len(of) == 3]


def _is_year(column: Column) -> bool:
    return column.number_within(1900, 2099) >= _NEARLY_ALL or column.matches(r"^\d{2}$") >= _NEARLY_ALL


def _is_month(column: Column) -> bool:
    word = pl.col("text").str.to_lowercase().str.replace_all(r"[.\s]", "")
    return column.number_within(1, 12) >= _NEARLY_ALL or column.share(word.is_in(list(MONTHS))) >= _MOST


def _may_be_teeth(column: Column) -> bool:
    """Whether a column is headed as one of teeth, or most of its values are some."""
    if not column.filled:
        return False
    if fit(column.heading, "tooth") >= PART:
        return True
    return column.distinct >= _DIFFERENT and column.matches(r"[.,]\d\d$") < 0.5 and max(column.teeth.values()) >= _MOST


def _seen(*columns: Column) -> str:
    return "such as " + ", ".join(" | ".join(masked_samples(c.common, at_most=2)) or "empty" for c in columns)
