"""Where the headings of a text file are, and what stands between its fields."""

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice, pairwise

from pipeline.machine.errors import ConfigError, DataError
from pipeline.reading.sources.source import ReadOptions, unique_headings

DELIMITERS = (",", ";", "\t", "|", "^", "~")
MAX_COLUMNS = 2_000
LOOK_FOR_HEADINGS = 50
_LEAST_RUN = 3
_DECIMAL = re.compile(r"^\s*[-+]?[\d.]*,\d+\s*$")
_SEP = re.compile(r"^\"?sep=([^\"\r\n])\"?\s*$", re.IGNORECASE)


@dataclass(frozen=True)
class Layout:
    """`said` are the headings as the file has them, empty where it has none; rows begin after `lines_above` lines."""

    delimiter: str
    headings: list[str]
    said: list[str]
    lines_above: int


def find_layout(lines: Sequence[str], options: ReadOptions, *, file: str) -> Layout:
    """Find headings and delimiter in the first lines of a file, each with its line end.

    The headings are in the line `header_row`; where that is not told, in the first of the first 50 lines that has all
    headings that are wanted (where the TOML names none: the required fields of the table). If none has them all, they
    are in the line that has most of them, and if none has any, in the first line that is as wide as the lines mostly
    are. The delimiter is the one that is told, or that a first line `sep=;` tells; else the one under which most of the
    wanted headings are there, then the one that cuts the lines most evenly.

    Raises ConfigError if the delimiter told is a quotation mark or a line end; DataError if nothing is there,
    `header_row` lies beyond the file, or there are more than 2,000 columns.
    """
    if options.delimiter and options.delimiter in '"\r\n\0':
        raise ConfigError(f"{file}: a quotation mark or line end cannot be the delimiter. Correct it in the TOML.")
    sep = _SEP.match(lines[0]) if lines else None
    told = options.delimiter or (sep[1] if sep else None)
    needed = set(options.needed)
    first = 1 if sep else 0
    if not _filled_lines(lines, first):
        raise DataError(f"{file}: the file is empty. Export it again, or leave it out.")
    if options.header_row == 0:
        delimiter = told or max(DELIMITERS, key=lambda d: _consistency(lines[first:], d))
        width = _usual_width(_cut(lines[first:], delimiter))
        _refuse_many_columns(file, width)
        return Layout(delimiter, [f"column {n}" for n in range(1, width + 1)], [], first)
    if options.header_row is not None:
        first = options.header_row - 1
        if first >= len(lines) or not lines[first].strip():
            raise DataError(
                f"{file}: header_row = {options.header_row} says that the headings are in line {options.header_row}, "
                "and there is nothing.\n  Count the lines from 1 in a text editor, and correct it in the TOML."
            )
    places = [first] if options.header_row is not None else _filled_lines(lines, first)
    delimiters = (told,) if told else DELIMITERS
    found = _matches(lines, places, delimiters, needed)
    consistency = {d: _consistency(lines[places[0] :], d) for d in delimiters}
    best = max(found.values())
    delimiter, place = max(
        (key for key, matches in found.items() if matches == best),
        key=lambda key: (consistency[key[0]], -delimiters.index(key[0]), -key[1]),
    )
    if not best and options.header_row is None:
        place = _first_of_usual_width(lines, places, delimiter)
    cells, taken = record(lines, place, delimiter)
    _refuse_many_columns(file, len(cells))
    return _fitted(Layout(delimiter, unique_headings(cells), cells, place + taken), lines)


def _matches(
    lines: Sequence[str], places: Sequence[int], delimiters: Sequence[str], needed: set[str]
) -> dict[tuple[str, int], int]:
    """How many of the wanted headings are in the record that begins in each place, cut by each delimiter."""
    text = "".join(lines[places[0] : places[-1] + LOOK_FOR_HEADINGS])
    out: dict[tuple[str, int], int] = {}
    uncut: str | None = None  # a delimiter that is nowhere: under all such the records are the same
    for d in delimiters:
        if d not in text and uncut is not None:
            out |= {(d, n): out[uncut, n] for n in places}
            continue
        uncut = d if d not in text else uncut
        out |= {(d, n): len(needed.intersection(h.strip() for h in record(lines, n, d)[0])) for n in places}
    return out


def record(lines: Sequence[str], place: int, delimiter: str) -> tuple[list[str], int]:
    """The fields of the record that begins in a line, and how many lines it takes."""
    reader = csv.reader(iter(lines[place : place + LOOK_FOR_HEADINGS]), delimiter=delimiter)
    try:
        return next(reader, []), reader.line_num
    except csv.Error:
        return lines[place].rstrip("\r\n").split(delimiter), 1


def _records(lines: Sequence[str], delimiter: str) -> list[list[str]]:
    """The first records, none if they cannot be read as they are."""
    try:
        return list(islice(csv.reader(iter(lines), delimiter=delimiter), LOOK_FOR_HEADINGS))
    except csv.Error:
        return []


def _filled_lines(lines: Sequence[str], first: int) -> list[int]:
    """The filled ones of the first 50 lines, or the first filled one after them."""
    filled = [n for n in range(first, min(len(lines), LOOK_FOR_HEADINGS)) if lines[n].strip()]
    if filled:
        return filled
    after = range(max(first, LOOK_FOR_HEADINGS), len(lines))
    return list(islice((n for n in after if lines[n].strip()), 1))


def _cut(lines: Sequence[str], delimiter: str) -> list[list[str]]:
    """The fields of each filled one of the first 100 lines, each line by itself."""
    return [record([line], 0, delimiter)[0] for line in lines[: 2 * LOOK_FOR_HEADINGS] if line.strip()]


def _usual_width(cut: Sequence[Sequence[str]]) -> int:
    widths = Counter(map(len, cut))
    return max(widths, key=lambda width: (widths[width] * (width > 1), width), default=1)


def _consistency(lines: Sequence[str], delimiter: str) -> int:
    """How many clean fields the lines have that are cut into as many fields as most are. A field is clean if no other
    delimiter is in it, but for the comma of a decimal number."""
    if not any(delimiter in line for line in lines[: 2 * LOOK_FOR_HEADINGS]):
        return 0
    cut = _cut(lines, delimiter)
    width = _usual_width(cut)
    if width < 2:
        return 0
    others = frozenset(DELIMITERS) - {delimiter}
    return sum(
        others.isdisjoint(text) or _DECIMAL.match(text) is not None
        for cells in cut
        if len(cells) == width
        for text in cells
    )


def _first_of_usual_width(lines: Sequence[str], places: list[int], delimiter: str) -> int:
    """The first line with at least half the fields that lines mostly have: titles above the headings have fewer, and
    names of groups of columns, above headings of their own, leave the fields between them empty."""
    width = _usual_width(_cut([lines[n] for n in places], delimiter))
    cells = {n: record(lines, n, delimiter)[0] for n in places}
    filled = (n for n in places if 2 * sum(bool(text.strip()) for text in cells[n]) >= width)
    wide = (n for n in places if 2 * len(cells[n]) >= width)
    return next(filled, next(wide, places[0]))


def _fitted(layout: Layout, lines: Sequence[str]) -> Layout:
    """The headings with one more or one fewer at the end, where the rows end in a delimiter and they do not, or not; or
    with one more in front, where the rows begin with their own running number."""
    below = [cells for cells in _records(lines[layout.lines_above :], layout.delimiter) if len(cells) > 1]
    width = len(layout.headings)
    said = layout.said
    if below and all(len(cells) == width + 1 and not cells[-1].strip() for cells in below):
        said = [*said, ""]
    elif below and all(len(cells) == width + 1 for cells in below) and _runs([cells[0] for cells in below]):
        said = ["", *said]
    elif below and width > 1 and not said[-1].strip() and all(len(cells) == width - 1 for cells in below):
        said = said[:-1]
    return Layout(layout.delimiter, unique_headings(said), said, layout.lines_above)


def _runs(texts: Sequence[str]) -> bool:
    """Whether texts are whole numbers, each one more than the one before."""
    if len(texts) < _LEAST_RUN or not all(text.strip().isdecimal() for text in texts):
        return False
    numbers = [int(text) for text in texts]
    return all(b - a == 1 for a, b in pairwise(numbers))


def _refuse_many_columns(file: str, width: int) -> None:
    if width > MAX_COLUMNS:
        raise DataError(
            f"{file}: has {width:,} columns, and no export has more than {MAX_COLUMNS:,}.\n"
            '  If the fields are not parted by what was found, say so under its table, e.g. delimiter = ";".'
        )
