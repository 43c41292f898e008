"""Records over several lines, each line a name and a value: `Chart: 1042`, `Date: 03/04/2019`, a blank line between.

A record ends at a blank line, at a line that is drawn, or where its first name comes again; a blank line within one,
below which other names follow, does not end it. A dash before a name, as lists have it, is no part of it. A line
without a name goes with the value above it; one above all records is a note.
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.reading.sources.csv_file import open_csv
from pipeline.reading.sources.found_tables import MAX_CELLS, too_large
from pipeline.reading.sources.source import MALFORMED_SCHEMA, ROW, Batch, ReadOptions, Spoken, aside, lines_alone
from pipeline.reading.sources.text_encoding import TextBytes

_LINE = re.compile(r"^\s*(?:-\s+)?([^\W\d][^:=\t]{0,40}?)\s*(?:[:=]|\t)\s*(.*?)\s*$")
_RULE = re.compile(r"^\s*[-=_*~#+]{3,}[-=_*~#+\s]*$")  # drawn between records
# Drawn, with the number of the record between, as consoles of databases do.
_NUMBERED_RULE = re.compile(
    r"(?i)^\s*[-=_*~#+\[( ]{2,}\s*(?:\d+\.?\s*(?:row|record|zeile|ligne|fila|rij)?|(?:row|record|entry)\s*#?\d+)\s*"
    r"[-=_*~#+\])]{2,}[-+| ]*$"
)
_LEAST, _MOST_NAMES = 2, 200
_SHARE = 0.7
_BATCH_ROWS = 20_000


def label_of(line: str) -> str | None:
    """The name that a line begins with, if it is a name and a value."""
    found = _LINE.match(line)
    return found[1] if found else None


def _is_rule(line: str) -> bool:
    return _RULE.match(line) is not None or _NUMBERED_RULE.match(line) is not None


def are_record_lines(lines: Sequence[str]) -> bool:
    """Whether lines are such records: most begin with one of a few names, and the names come again in turn."""
    filled = [line for line in lines if line.strip() and not _is_rule(line)]
    names = Counter(name for line in filled if (name := label_of(line)))
    often = {name: n for name, n in names.items() if n >= _LEAST}
    if len(often) < _LEAST + 1 or len(often) > _MOST_NAMES:
        return False
    return sum(often.values()) >= _SHARE * len(filled) and max(often.values()) * len(often) <= 3 * sum(often.values())


@dataclass
class RecordLines:
    """The records of a text; see `pipeline.reading.sources.source.Source`. Rows are numbered as the records are."""

    file: str
    headings: list[str]
    records: list[dict[str, str]] = field(repr=False)
    notes: list[str] = field(repr=False)
    remark: str | None = None

    @property
    def spoken(self) -> Spoken:
        """See `Source.spoken`."""
        return Spoken(how="each record stands on several lines, a name and a value on each")

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        wanted = self.headings if headings is None else list(headings)
        for start in range(0, len(self.records), _BATCH_ROWS):
            some = self.records[start : start + _BATCH_ROWS]
            rows = pl.DataFrame({h: pl.Series(h, [r.get(h) for r in some], dtype=pl.String) for h in wanted})
            numbers = pl.int_range(start + 1, start + len(some) + 1, dtype=pl.Int64, eager=True).alias(ROW)
            yield Batch(numbers, rows, pl.DataFrame(schema=MALFORMED_SCHEMA))
        if self.notes:
            numbers_of_notes = range(len(self.records) + 1, len(self.records) + len(self.notes) + 1)
            yield lines_alone(wanted, aside(numbers_of_notes, self.notes, "note_line"))


def open_record_lines(path: Path, options: ReadOptions) -> RecordLines:
    """Read a text of such records. Raises DataError if no line has a name and a value, or as `open_csv` does of the
    text itself."""
    open_csv(path, ReadOptions(encoding=options.encoding, header_row=0))  # refuses what is no text
    text = TextBytes(path, options.encoding)
    lines = b"".join(text.chunks()).decode().splitlines()
    found = [(line, _LINE.match(line)) for line in lines]
    often = Counter(m[1] for _, m in found if m)
    first = next((m[1] for _, m in found if m and often[m[1]] >= _LEAST), None) or next(
        (m[1] for _, m in found if m), None
    )
    if first is None:
        raise DataError(
            f'{path.name}: record_lines = true, and no line of it is a name and a value, such as "Date: 03/04/2019". '
            "Take it out of the TOML."
        )
    records: list[dict[str, str]] = []
    notes: list[str] = []
    names: dict[str, None] = {}
    open_one: dict[str, str] | None = None
    last, cells = "", 0
    for line, match in found:
        if not line.strip() or _is_rule(line):
            last = ""
        elif match is None or (open_one is None and match[1] != first):
            if open_one is not None and last:
                open_one[last] = f"{open_one[last]} {line.strip()}".strip()
            else:
                notes.append(line)
        else:
            name, value = match[1], match[2]
            if name == first or (open_one is not None and name in open_one and not last):
                open_one = {}
                records.append(open_one)
            assert open_one is not None
            while name in open_one:
                name += " (2)"
            open_one[name] = value
            names[name] = None
            last = name
            cells += 1
            if cells > MAX_CELLS or len(names) > _MOST_NAMES * 10:
                raise too_large(path.name)
    return RecordLines(path.name, list(names), records, notes, text.remark)
