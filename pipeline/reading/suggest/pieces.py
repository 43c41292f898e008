"""The unknown files, opened: each file, or each group of sheets of a workbook that have the same headings."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.practice.fields import input_fields
from pipeline.practice.tables import INPUT_TABLES
from pipeline.reading.headings import PART, fit
from pipeline.reading.sources import ReadOptions, has_sheets, is_archive, open_source, reading
from pipeline.reading.sources.archive import members
from pipeline.reading.sources.excel_book import visible_sheets
from pipeline.reading.sources.excel_file import ALREADY_KNOWN, sheet_of
from pipeline.reading.sources.joined import key_text
from pipeline.reading.sources.kinds import TEXT, kind_of
from pipeline.reading.sources.likely_encoding import EncodingUnknownError
from pipeline.reading.suggest.layouts import find_layout_of
from pipeline.reading.suggest.looked import LayoutLine
from pipeline.reading.suggest.profile import Column, FileProfile
from pipeline.reading.suggest.sample import SampledSource, only, sample_rows, sample_source
from pipeline.reading.suggest.shown import masked_samples

_PREAMBLE = 20  # lines that may stand above the headings
_OTHERS = ("windows-1250", "windows-1254")
_SAMPLE = 1 << 16
_MANY_SHEETS = 150
_MEANT = 3  # so many headings that mean something are no chance
_AGAIN = re.compile(r" \(\d+\)$")
_PLACE = re.compile(r"^column \d+$")


@dataclass(frozen=True)
class Piece:
    """A file or some sheets of it. `headings` is empty where there are none; `rows` is the sample, as text; `tables`
    are those that a file which names our fields itself has rows of; `worksheet` is the table of a filled sheet of
    our own."""

    path: Path
    rows: pl.DataFrame
    headings: tuple[str, ...] = ()
    sheets: tuple[str, ...] = ()
    rows_seen: int = 0
    whole: bool = True
    serial_dates: str | None = None
    tables: tuple[str, ...] = ()
    worksheet: str | None = None
    trouble: str | None = None
    encoding_open: bool = False  # the trouble is that its text does not show how it is written
    layout: tuple[LayoutLine, ...] = ()
    how: str = ""
    told: tuple[tuple[str, str, str], ...] = ()  # columns that a list beside shows to be a field, and in what words
    parts: tuple[pl.DataFrame, ...] = ()  # the samples of several sheets, or files of an archive, one by one

    @cached_property
    def alone(self) -> FileProfile:
        """Its columns without those of other pieces; who asks again is given what was worked out."""
        return _profile([self])

    @cached_property
    def keys(self) -> dict[str, frozenset[str]]:
        """The texts of each column in which every row has its own."""
        of = ((heading, key_text(self.rows[heading])) for heading in self.headings)
        return {h: frozenset(t) for h, t in of if not (t == "").any() and t.n_unique() == t.len()}


def open_pieces(path: Path, encoding: str | None = None) -> list[Piece]:
    """Look into one file, with its `encoding` if that is told, writing nothing. What cannot be read has `trouble`."""
    try:
        with reading(path.name, "the look at its columns"):
            if is_archive(path):
                return _members(path, encoding)
            if has_sheets(path):
                return _sheets(path)
            told = ReadOptions(encoding=encoding)
            first = open_source(path, told)
            if first.spoken.fields:
                return [_spoken(path)]
            if encoding is None and (likely := _by_headings(path, first.headings)):
                why = f"likely: the file is not UTF-8 text, and more of its headings are words in {likely}"
                return _written_in(likely, why, open_pieces(path, likely))
            return [_read(path, replace(told, header_row=_heading_line(path, first.headings, told)))]
    except DataError as error:
        likely = error.likely if isinstance(error, EncodingUnknownError) and encoding is None else None
        found = [] if likely is None else open_pieces(path, likely)
        # A guess that gives no headings that we know is left to the person, who is told it in the refusal.
        if any(_meant(p.headings) >= _MEANT - 1 for p in found):
            return _written_in(likely or "", f"likely: {str(error).splitlines()[0].partition(': ')[2]}", found)
        return [Piece(path, pl.DataFrame(), trouble=str(error), encoding_open=isinstance(error, EncodingUnknownError))]


def _written_in(encoding: str, why: str, pieces: Sequence[Piece]) -> list[Piece]:
    """Pieces of a text with the line that says how it is written."""
    line = LayoutLine("encoding", f'"{encoding}"', why)
    return [replace(piece, layout=(line, *piece.layout)) for piece in pieces]


def in_one_encoding(pieces: Sequence[Piece]) -> list[Piece]:
    """The pieces; a text too short to show how it is written is taken as the others are, where those agree."""
    found = {line.value for p in pieces for line in p.layout if line.key == "encoding"}
    if len(found) != 1:
        return list(pieces)
    (value,) = found
    again = {p.path: open_pieces(p.path, value.strip('"')) for p in pieces if p.encoding_open}
    why = "likely: another file is written so, and this one is not UTF-8 text"
    each = (_written_in(value.strip('"'), why, again[p.path]) if p.encoding_open else [p] for p in pieces)
    return [one for of in each for one in of]


def _by_headings(path: Path, headings: Sequence[str]) -> str | None:
    """The encoding in which more headings mean something than in Western Europe's: letters do not tell Czech from
    French."""
    if kind_of(path) != TEXT or all(h.isascii() for h in headings):
        return None
    with path.open("rb") as file:
        try:
            file.read(_SAMPLE).decode()
        except UnicodeDecodeError as error:
            if error.end >= _SAMPLE or not any("\x80" <= c <= "\xff" for h in headings for c in h):
                return None
        else:
            return None
    most = _meant(headings)
    for other in _OTHERS:
        try:
            if _meant(open_source(path, ReadOptions(encoding=other)).headings) > most:
                return other
        except DataError:
            continue
    return None


def profile(pieces: Sequence[Piece]) -> FileProfile:
    """The columns of pieces of one shape, their samples one under the other."""
    return pieces[0].alone if len(pieces) == 1 else _profile(pieces)


def _profile(pieces: Sequence[Piece]) -> FileProfile:
    first = pieces[0]
    rows = pl.concat([_in_order_of(first.rows.columns, p.rows) for p in pieces])
    names = rows.columns
    headings = first.headings or ("",) * len(names)
    told = {heading: (field, why) for p in pieces for heading, field, why in p.told}
    return FileProfile(
        [
            Column(n, name, "" if _PLACE.match(h) else h, rows[name], told.get(name, ("", "")))
            for n, (name, h) in enumerate(zip(names, headings, strict=True), 1)
        ]
    )


def _in_order_of(names: Sequence[str], rows: pl.DataFrame) -> pl.DataFrame:
    """Columns of the same names in one order; of other names by their place."""
    if set(names) == set(rows.columns):
        return only(rows, names)
    return rows.rename(dict(zip(rows.columns, names, strict=True)))


def _read(path: Path, options: ReadOptions, *, say_sheets: bool = False) -> Piece:
    options, layout = find_layout_of(path, options)
    source = open_source(path, options)
    sampled = sample_source(source)
    rows = sample_rows(sampled)
    used = {h for line in layout for h in line.uses}
    # A workbook's sheet and row are no columns of its own.
    data = [h for h in rows.columns if not h.startswith("(") and h not in used]
    rows = only(rows, data)
    sheets = options.sheets if say_sheets else ()
    if layout or not _is_headless(data, rows):
        return replace(_piece(path, rows, tuple(data), sheets, sampled), layout=layout)
    again = sample_source(open_source(path, replace(options, header_row=0)))
    if again.headings and _PLACE.match(again.headings[0]):
        sampled, rows = again, sample_rows(again)
        rows = only(rows, [h for h in rows.columns if not h.startswith("(")])
    else:  # the reader took the first row for headings: put it back
        top = pl.DataFrame({h: [_AGAIN.sub("", h)] for h in data}, schema=rows.schema)
        rows = pl.concat([top, rows]).rename({h: f"column {n}" for n, h in enumerate(data, 1)})
    return _piece(path, rows, (), sheets, sampled)


def _heading_line(path: Path, headings: Sequence[str], told: ReadOptions) -> int | None:
    """The line of the headings where a preamble stands above them; None where the reader finds them by itself."""
    best, most = None, max(_MEANT - 1, _meant(headings))
    if most >= _MEANT or path.suffix.lower() == ".parquet":
        return None
    for line in range(1, _PREAMBLE + 1):
        try:
            found = _meant(open_source(path, replace(told, header_row=line)).headings)
        except DataError:
            continue
        if found > most:
            best, most = line, found
    return best


def _meant(headings: Sequence[str]) -> int:
    """How many headings fit some field well."""
    fields = {f for table in INPUT_TABLES for f in input_fields(table)}
    return sum(any(fit(h, f) >= PART for f in fields) for h in headings)


def _piece(
    path: Path, rows: pl.DataFrame, headings: tuple[str, ...], sheets: tuple[str, ...], of: SampledSource
) -> Piece:
    return Piece(path, rows, headings, sheets, of.rows_seen, of.whole, of.spoken.serial_dates, how=of.spoken.how)


def _members(path: Path, encoding: str | None) -> list[Piece]:
    """The files in an archive, each as if it lay beside it."""
    inside = members(path)
    alone = len(inside) == 1
    alike: dict[tuple[object, ...], list[tuple[str, Piece]]] = {}
    for number, (name, inner) in enumerate(inside.items()):
        for piece in open_pieces(inner, encoding):
            own = () if piece.headings and not piece.trouble else (number,)
            key = (piece.tables, tuple(sorted(piece.headings)), piece.layout, *own)
            alike.setdefault(key, []).append((name, piece))
    return [_as_one(path, of, () if alone else tuple(dict.fromkeys(n for n, _ in of))) for of in alike.values()]


def _as_one(path: Path, of: list[tuple[str, Piece]], sheets: tuple[str, ...]) -> Piece:
    """Files in an archive that have the same columns."""
    first = of[0][1]
    seen, whole = sum(piece.rows_seen for _, piece in of), all(piece.whole for _, piece in of)
    trouble = first.trouble and f"{path.name}: in it, {first.trouble}"
    parts = tuple(_in_order_of(first.rows.columns, piece.rows) for _, piece in of)
    one = replace(first, path=path, sheets=sheets, rows=pl.concat(parts), rows_seen=seen, whole=whole)
    return replace(one, trouble=trouble, parts=parts)


def _sheets(path: Path) -> list[Piece]:
    names, faults = visible_sheets(path)
    if not names:
        empty = DataError(f"{path.name}: its sheets are empty. Export it again, or leave it out.")
        raise next(iter(faults), empty)
    ours = {sheet_of(table): table for table in INPUT_TABLES}  # a sheet of our worksheet is read as its table
    many = _many_alike(path, names) if len(names) > _MANY_SHEETS else ()
    left = [name for name in names if name not in many]
    options = (ReadOptions(table=ours.get(name, "procedures"), sheets=(name,)) for name in left)
    read = [_read(path, of, say_sheets=True) for of in options]
    grouped: dict[tuple[str, ...], list[Piece]] = {}
    for piece in read:
        key = (*piece.headings, *(line.value for line in piece.layout)) or ("", *piece.sheets)
        grouped.setdefault(key, []).append(piece)
    grouped = _with_bare(path, grouped)
    alone = len(names) == 1 and not faults
    found = [_sheets_alike(path, of, all_of_them=alone or len(of) == len(names), ours=ours) for of in grouped.values()]
    if many:
        one = _read(path, ReadOptions(sheets=many), say_sheets=True)
        found.insert(0, replace(one, sheets=() if len(many) == len(names) else many))
    return found + [Piece(path, pl.DataFrame(), trouble=str(fault)) for fault in faults]


def _with_bare(path: Path, grouped: dict[tuple[str, ...], list[Piece]]) -> dict[tuple[str, ...], list[Piece]]:
    """The sheets by what they are alike in. One of nothing or of a total alone, a month in which nobody came, shows no
    layout: it stands with those of the same headings."""
    bare = [key for key, of in grouped.items() if len(of) == 1 and of[0].rows_seen <= 1 and of[0].headings]
    laid_out = {key: of for key, of in grouped.items() if key not in bare and of[0].layout}
    for key in bare if laid_out else ():
        own = sorted(_as_they_stand(path, grouped[key][0].sheets))
        alike = (k for k, of in laid_out.items() if sorted(_as_they_stand(path, of[0].sheets)) == own)
        if (like := next(alike, None)) is not None:
            grouped[like].append(replace(grouped.pop(key)[0], rows=grouped[like][0].rows.clear(), rows_seen=0))
    return grouped


def _as_they_stand(path: Path, sheets: Sequence[str]) -> tuple[str, ...]:
    """The headings of sheets before any layout is seen in them."""
    return tuple(open_source(path, ReadOptions(sheets=tuple(sheets))).headings)


def _many_alike(path: Path, names: Sequence[str]) -> tuple[str, ...]:
    """The most sheets with the same headings, if many, such as a day on each: a look at each would take long."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for name in names:
        alike.setdefault(_as_they_stand(path, (name,)), []).append(name)
    most = max(alike.values(), key=len)
    return tuple(most) if len(most) > _MANY_SHEETS else ()


def _sheets_alike(path: Path, of: list[Piece], *, all_of_them: bool, ours: Mapping[str, str]) -> Piece:
    """The sheets of a workbook that have the same headings; together they may show a layout that none shows alone."""
    first, sheets = of[0], tuple(s for p in of for s in p.sheets)
    if len(of) > 1 and first.headings and not first.layout:
        together = _read(path, ReadOptions(sheets=sheets), say_sheets=True)
        if together.layout:
            return replace(together, sheets=() if all_of_them else sheets)
    return Piece(
        path,
        pl.concat([p.rows for p in of]),
        first.headings,
        () if all_of_them else sheets,
        sum(p.rows_seen for p in of),
        all(p.whole for p in of),
        first.serial_dates,
        worksheet=_worksheet(first, ours),
        layout=first.layout,
        how=first.how,
    )


def _worksheet(piece: Piece, ours: Mapping[str, str]) -> str | None:
    told = ALREADY_KNOWN in piece.headings and piece.rows.height > 0
    return ours.get(piece.sheets[0]) if told and piece.sheets else None


def _spoken(path: Path) -> Piece:
    """A file that names our fields itself: only which tables it has rows of."""
    tables, seen, fault = [], 0, ""
    for table in INPUT_TABLES:
        try:
            source = open_source(path, ReadOptions(table=table))
            records = (len(b.numbers) + (0 if b.claims is None else b.claims.height) for b in source.batches())
            found = next(filter(None, records), 0)
        except DataError as error:  # files of this kind may never tell of such a table
            fault = fault or str(error)
            continue
        if found:
            tables.append(table)
            seen = max(seen, found)
    if not tables:
        raise DataError(fault or f"{path.name}: holds no rows of any table that we know.")
    return Piece(path, pl.DataFrame(), tables=tuple(tables), rows_seen=seen)


def _is_headless(headings: Sequence[str], rows: pl.DataFrame) -> bool:
    """Whether the first row holds values: one of its cells is of the kind of its column, or comes back below it."""
    if not rows.height:
        return any(_kind(h) for h in headings)
    bare = [_AGAIN.sub("", h) for h in headings]
    if len({re.sub(r"\d+$", "", h) for h in bare}) == 1 and len(bare) > 1:
        return False  # F1, F2, F3
    knows = _meant(bare) >= _MEANT  # a sign may be the heading of a column of signs
    for n, (name, text) in enumerate(zip(headings, bare, strict=True), 1):
        if _PLACE.match(text):
            continue
        column = Column(n, name, "", rows[name].head(2_000))
        if column.filled == 0:
            continue
        if (own := _kind(text)) and own in _kinds(column) and (own != "mixed" or _same_form(text, column)):
            return True
        if column.unique <= 0.5 and not knows and text in column.counts.head(200)["text"].to_list():
            return True
    return False


def _same_form(text: str, column: Column) -> bool:
    return masked_samples(pl.DataFrame({"text": [text], "n": [1]}))[0] in masked_samples(column.common)


def _kinds(column: Column) -> set[str]:
    codes = max(column.codes.values()) >= 0.6 and column.number_share < 0.5
    found = {"date": column.date_share >= 0.6, "number": column.number_share >= 0.6, "code": codes}
    mixed = column.matches(r"^\p{L}{1,3}[\-_]?\d+$") >= 0.6
    return {name for name, true in (found | {"mixed": mixed}).items() if true}


def _kind(text: str) -> str:
    """What a single cell is beyond doubt: a date, a number, a code, a number with letters before; else empty."""
    bare = text.strip()
    return next((name for name, pattern in _CELLS.items() if pattern.match(bare)), "")


_CELLS = {
    "date": re.compile(
        r"^(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.](?:\d{4}|\d{2})|(?:19|20)\d{6})(?:[T\s].*)?$"
    ),
    "number": re.compile(r"^[(+-]?\s?[$€£]?\d+(?:[.,' ]\d+)*\)?$"),
    "code": re.compile(r"^D\d{4}$", re.IGNORECASE),
    "mixed": re.compile(r"^[^\W\d_]{1,3}[-_]?\d{2,}$"),
}
