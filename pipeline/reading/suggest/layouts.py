"""How a report is laid out, as far as its lines show, with the count that speaks for it. Nothing is applied to a load:
each finding becomes a line of the proposed PRACTICE.toml, which a person reads."""

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.counts import count
from pipeline.practice.fields import input_fields
from pipeline.reading.headings import EXACT, PART, fit
from pipeline.reading.sources import Batch, ReadOptions, Source, open_source
from pipeline.reading.sources.fixed_width import find_bare_starts, find_starts
from pipeline.reading.sources.group_lines import DAY_LINE, read_templates
from pipeline.reading.sources.kinds import TEXT, kind_of
from pipeline.reading.sources.text_encoding import TextBytes
from pipeline.reading.sources.text_notes import TOTAL_LINE
from pipeline.reading.suggest import made_lines
from pipeline.reading.suggest.looked import Found, LayoutLine, Looked
from pipeline.reading.suggest.profile import Column
from pipeline.reading.suggest.shapes import (
    all_called,
    day_in_name,
    ditto_marks,
    has_patient,
    record_lines,
    repeated_columns,
    sheet_names,
    shown_texts,
    transposed,
    work_columns,
)
from pipeline.reading.suggest.shown import quoted

_LINES = 300
_START_BYTES = 1 << 17
_LEAST = 2  # lines of a kind that make a layout
_BLANK = 0.2  # share of the rows without a value from which a column is one that is filled down
_MOST_PRINTED = 2  # so many headings at most does a file have whose fields nothing parts
_MOST_RECORD = 4  # or of lines that are a name and a value, with a sign or two in the value
_GROUPED = ("patient_id", "service_date")
_GROUP_LINE = re.compile(r"^\W*([^\W\d][^\d]{0,40}?)([:#.]?)\s+(\S*\d\S*?)(?:[,;|]?\s+(.*\S)|[,;|]*)\s*$")
_DAY_LINE = re.compile(r"^\W*([^\W\d][^\d:]{0,40}?):\s*(\S.*\d.*)$")
_SOME_DATES, _NEARLY_DATES = 0.5, 0.9
_CLINICIAN = "provider_id"
_WORDS_LINE = re.compile(r"^\W*([^\W\d][^\d:#]{0,40}?)(:)\s*([^\W\d].{0,60}?)()[,;|]*\s*$")
_BARE_LINE = re.compile(r"^\s*\w*\d[\w-]*[,;|]?\s+[^\W\d][^\d]*$")
_NAME = re.compile(r"(?i)\bname\b|nom\b|nombre|naam|nome\b")
_TOTAL = re.compile(TOTAL_LINE)
_SHEET_LINE = re.compile(r"^.*?, row \d+: ")


def find_layout_of(path: Path, options: ReadOptions) -> tuple[ReadOptions, tuple[LayoutLine, ...]]:
    """The options with what was found added, and the lines that say so. Raises DataError for an unreadable file."""
    bare = replace(options, header_row=0)
    source = open_source(path, bare)
    turned, line = transposed(source, Looked(source), bare)
    if line is not None:
        return replace(turned, header_row=None), (line,)
    options, lines = _printed(path, options)
    source = open_source(path, options)
    try:
        batches = Looked(source)
    except DataError as error:
        needed = tuple(h for h in source.headings if any(fit(h, f) >= PART for f in (*_GROUPED, "code")))
        if ("stacked_tables" not in str(error) and "another order" not in str(error)) or not needed:
            raise
        options = replace(options, stacked_tables=True, wanted=needed, header_row=None)
        lines.append(LayoutLine("stacked_tables", "true", "likely: headings stand again among the rows, other ones"))
        source = open_source(path, options)
        batches = Looked(source)
    of_rows = (repeated_columns, work_columns, ditto_marks, _loose, _group_lines, sheet_names, _fill_down)
    for find in (*of_rows, *made_lines.FINDERS):
        changed, found = find(source, batches, options)
        if found is not None:
            options = changed
            lines.append(found)
            source = open_source(path, options)
            batches = Looked(source)
    options, line = day_in_name(path, source, options)
    return options, (*lines, *([line] if line is not None else []))


def _printed(path: Path, options: ReadOptions) -> tuple[ReadOptions, list[LayoutLine]]:
    if kind_of(path) != TEXT:
        return options, []
    if (width := len(open_source(path, options).headings)) > _MOST_RECORD:
        return options, []
    start = next(TextBytes(path, options.encoding).chunks(size=_START_BYTES), b"")
    texts = start.decode(errors="ignore").splitlines()[:_LINES]
    changed, line = record_lines(texts, options)
    if line is not None or width > _MOST_PRINTED:
        return changed, [line] if line is not None else []
    if not (starts := find_starts(texts)):
        if not (starts := find_bare_starts(texts)):
            return options, []
        why = f"likely: rows of {len(texts):,} lines have no headings, and these places are blank before in all of them"
        options = replace(options, fixed_width=tuple(starts), header_row=0)
        none = LayoutLine("header_row", "0", "no row of headings was found: columns are called by their place")
        return options, [LayoutLine("fixed_width", str(starts), why), none]
    why = f"likely: nothing stands between the fields, and these places are blank before in {count(len(texts), 'line')}"
    options = replace(options, fixed_width=tuple(starts), header_row=None)
    return options, [LayoutLine("fixed_width", str(starts), why)]


def _loose(source: Source, batches: Sequence[Batch], options: ReadOptions) -> Found:
    """Records with too many fields: in a name, if each has one more and its halves are words; else in the last text."""
    delimiter, width = getattr(source, "delimiter", ""), len(source.headings)
    if not delimiter or options.stacked_tables or options.fixed_width or width < _LEAST:
        return options, None
    records = [next(csv.reader([line], delimiter=delimiter), []) for b in batches for line in b.malformed["raw_row"]]
    wide = [r for r in records if len(r) > width]
    if len(wide) < _LEAST:
        return options, None
    names = [n for n, h in enumerate(source.headings) if _NAME.search(h)]
    place = next((n for n in names if all(len(r) == width + 1 and _are_words(r[n : n + 2]) for r in wide)), width - 1)
    if place == width - 1 and not any(any(c.isalpha() for c in r[place]) for r in wide):
        return options, None
    heading = source.headings[place]
    shown = shown_texts([r[place] for r in wide])
    why = f"likely: {count(len(wide), 'row', 'has')} more fields than there are headings; {shown}"
    return replace(options, loose_columns=(heading,)), LayoutLine("loose_columns", f"[{quoted(heading)}]", why)


def _are_words(parts: Sequence[str]) -> bool:
    return all(any(c.isalpha() for c in p) and not any(c.isdigit() for c in p) for p in parts)


def _group_lines(source: Source, batches: Sequence[Batch], options: ReadOptions) -> Found:
    """Lines that begin with a word for the patient or the day, with a number or a date behind it, again and again."""
    texts = [_SHEET_LINE.sub("", t) for b in batches for t in b.malformed["raw_row"]]
    texts += [" ".join(c for c in row if c) for b in batches for row in _scarce(b.rows)]
    texts += [line for lines in getattr(source, "titles", {}).values() for line in lines]
    texts = [t for t in texts if not _TOTAL.match(t)]
    days, dated = _days_in_words(texts)
    texts = [t for t in texts if t not in dated]
    said = [m for t in texts if (m := _GROUP_LINE.match(t)) and not _TOTAL.match(m[1].split()[-1])]
    found = [(m, field) for m in said for field in _GROUPED if _is_for(m[1], field)]
    found += [(m, _CLINICIAN) for t in texts if (m := _WORDS_LINE.match(t)) and fit(m[1], _CLINICIAN) == EXACT]
    forms = Counter((m[1].strip(), m[2], field) for m, field in found)
    templates, seen = [f"{words}: {{service_date:words}}" for words in days], list(dated)
    order = (*_GROUPED, _CLINICIAN)
    for (words, sign, field), n in sorted(forms.items(), key=lambda item: (order.index(item[0][2]), -item[1])):
        of = [m for m, f in found if (m[1].strip(), m[2], f) == (words, sign, field)]
        if n < _LEAST or len({m[3] for m in of}) < _LEAST or field in source.headings:
            continue
        if field == "service_date" and (days or _date_share([m[3] for m in of]) < _SOME_DATES):
            continue
        rest = " {*}" if any(m[4] for m in of) else ""
        templates.append(f"{words}{sign} {{{field}}}{rest}")
        seen += [m[0] for m in of]
    alone = _days_alone(texts) if not any("{service_date" in template for template in templates) else []
    if len(set(alone)) >= _LEAST and not any(fit(h, "service_date") >= PART for h in source.headings):
        templates.insert(0, "{service_date}")
        seen += alone
        texts = [t for t in texts if t not in set(alone)]
    bare = [t for t in texts if _BARE_LINE.match(t)]
    told = any("{patient_id}" in template for template in templates)
    is_told = told or has_patient(source.headings)
    if not is_told and _are_numbers(bare) and all_called(source.headings, ("service_date", "code")):
        templates.insert(0, "{patient_id} {*}")
        seen += bare
        # So that no row of work is taken for such a line.
        work = tuple(h for h in source.headings if any(fit(h, f) >= PART for f in ("service_date", "code")))
        options = replace(options, wanted=work)
    if not templates:
        return options, None
    read = read_templates(templates, input_fields(options.table), where="")
    why = f"likely: {count(len(seen), 'line')} above rows say it; {shown_texts(seen)}"
    value = f"[{', '.join(map(quoted, templates))}]"
    return replace(options, group_lines=read), LayoutLine("group_lines", value, why)


def _days_in_words(texts: Sequence[str]) -> tuple[list[str], set[str]]:
    """Words before days of several words, `Date: Monday, January 4, 2016`, and the lines that have them."""
    found: dict[str, dict[str, str]] = {}
    for text in texts:
        if (m := _DAY_LINE.match(text)) and " " in m[2].strip() and _is_for(m[1], "service_date"):
            found.setdefault(m[1].strip(), {})[text] = m[2].strip(" ,;|")
    days = {w: of for w, of in found.items() if len(of) >= _LEAST and _date_share([*of.values()]) >= _NEARLY_DATES}
    return list(days), {text for of in days.values() for text in of}


def _days_alone(texts: Sequence[str]) -> list[str]:
    """The lines that are a day and nothing else."""
    lines = pl.Series("line", list(texts), dtype=pl.String)
    found = lines.filter(lines.str.contains(DAY_LINE)).to_list()
    return found if _date_share(found) >= _NEARLY_DATES else []


def _date_share(texts: Sequence[str]) -> float:
    return Column(1, "", "", pl.Series(list(texts), dtype=pl.String)).date_share


def _are_numbers(lines: Sequence[str]) -> bool:
    """Whether lines begin with numbers of patients: several, of one length or two."""
    numbers = {line.split()[0].strip(",;") for line in lines}
    return len(numbers) >= _LEAST and len({len(n) for n in numbers}) <= _LEAST


def _is_for(words: str, field: str) -> bool:
    return fit(words, field) >= PART and not any(fit(words, f) >= PART for f in _GROUPED if f != field)


def _scarce(rows: pl.DataFrame) -> list[list[str]]:
    """The rows with at most two filled cells, as text."""
    texts = rows.select(pl.all().exclude(r"^\(.*\)$").cast(pl.String).str.strip_chars().replace("", None))
    if texts.width <= _LEAST:
        return []
    few = texts.filter(pl.sum_horizontal(pl.all().is_not_null()).is_between(1, 2))
    return [[c for c in row if c] for row in few.head(_LINES).rows()]


def _fill_down(source: Source, batches: Sequence[Batch], options: ReadOptions) -> Found:
    """Columns of patient or day that the first row has and many rows below do not."""
    frames = [b.rows for b in batches if b.rows.height]
    if not frames:
        return options, None
    some: dict[str, tuple[list[str], float, pl.Series]] = {}
    for field in (*_GROUPED, _CLINICIAN):
        headings = [h for h in source.headings if fit(h, field) >= PART]
        if not headings or any(field in template.fields for template in options.group_lines):
            continue
        texts = pl.concat([f.select(pl.col(headings).cast(pl.String).str.strip_chars()) for f in frames])
        texts = texts.select(pl.all().replace("", None))
        cells = texts.to_series()
        # A number and a name of the patient, merged alike, are filled alike.
        if texts.select(pl.any_horizontal(pl.all().is_null() != cells.is_null()).any()).item():
            continue
        share = cells.null_count() / len(cells)
        if cells[0] is not None and share and cells.drop_nulls().n_unique() > 1:
            some[field] = headings, share, cells
    who = some.pop(_CLINICIAN, None)
    # A clinician may be left out for another reason than that of a group.
    if who and any((of[2].is_null() == who[2].is_null()).all() for of in some.values()):
        some[_CLINICIAN] = who
    blank = {f: of for f, of in some.items() if of[1] >= _BLANK}
    if not blank:
        return options, None
    # A field that is empty in few rows only, and never where a field around it begins a group, is of the same kind.
    begins = [cells.is_not_null() for _, _, cells in blank.values()]
    blank |= {f: of for f, of in some.items() if not any((b & of[2].is_null()).any() for b in begins)}
    outermost = sorted(blank, key=lambda f: -blank[f][1])
    told = "; ".join(f"{' and '.join(blank[f][0])} is empty in {blank[f][1]:.0%} of the rows" for f in outermost)
    shown = shown_texts(blank[outermost[0]][2].drop_nulls().to_list())
    why = f"likely, if such a row goes with the last one above that has it: {told}; {shown}"
    value = f"[{', '.join(map(quoted, outermost))}]"
    options = replace(options, fill_down=tuple(h for f in outermost for h in blank[f][0]))
    return options, LayoutLine("fill_down", value, why)
