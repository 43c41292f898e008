"""A few rows of each file, their cells as written beside what was understood of them: one of each kind of work, of
each standing, and of each reason for which rows are set aside.

Which of the rows of a kind is shown hangs on what it holds, not on its place, and on no finder: whoever knows the
practice sees here what no rule of ours looks for.
"""

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial

import polars as pl

from pipeline.practice.codes import EVENTS
from pipeline.practice.reasons import REASONS
from pipeline.reading.doubts.cells import text_of
from pipeline.reading.sources import Batch
from pipeline.transforms.clean import Cleaned

NOT_KNOWN, ASIDE = "work that the list of codes does not know", "set aside"
_MOST_WORK, _MOST_ASIDE = 36, 16
_KEYS = ("row_number", "part")
_Key = tuple[str, str, str, str]
_CellsOf = Callable[[int], tuple[Mapping[str, str], Mapping[str, str]]]


@dataclass(frozen=True)
class ShownRow:
    """One row: `read` are its cells that some field takes, `beside` the others that are filled, by heading; `typed`
    what was understood, by field, empty for a row that is set aside; `why` is the reason for that."""

    table: str
    file: str
    number: int
    read: Mapping[str, str]
    beside: Mapping[str, str]
    typed: Mapping[str, object]
    why: str = ""


@dataclass
class ShownRows:
    """The rows chosen so far, by file and kind, each with the number by which it was drawn."""

    kinds: Mapping[str, str] = field(default_factory=dict)  # the event of each code
    _held: dict[_Key, tuple[int, ShownRow]] = field(default_factory=dict)

    def add(self, *, table: str, file: str, batch: Batch, headings: Collection[str], of: Cleaned) -> None:
        """Take in a batch of a file: its cells, the `headings` of those that are read, and what they were typed to."""
        cells = partial(_cells, batch, headings)
        for number, typed, kind, stands, drawn in self._drawn(of.rows) if of.rows.height else ():
            self._keep((table, file, kind, stands), drawn, number, typed, cells)
        first = of.rejects.sort("row_number").unique("reason", keep="first", maintain_order=True)
        for number, reason in first.select("row_number", "reason").iter_rows():
            self._keep((table, file, ASIDE, reason), number, number, {}, cells)
        for reason, number, line in batch.malformed.select("reason", "row_number", "raw_row").iter_rows():
            key = table, file, ASIDE, reason or "malformed_line"
            self._keep(key, number, number, {}, partial(_line, line or ""))

    def _drawn(self, typed: pl.DataFrame) -> Iterator[tuple[int, dict[str, object], str, str, int]]:
        keys = [k for k in _KEYS if k in typed.columns]
        rows = typed.with_columns(drawn=typed.drop(keys).hash_rows(0))
        kind, stands = (pl.col("drawn") % 2).cast(pl.String), pl.lit("")
        if "code" in typed.columns:
            kind = pl.col("code").replace_strict(dict(self.kinds), default=NOT_KNOWN, return_dtype=pl.String)
            stands = pl.col("status").cast(pl.String).fill_null("")
        rows = rows.with_columns(kind=kind, stands=stands).sort("drawn", *keys).unique(["kind", "stands"], keep="first")
        for row in rows.iter_rows(named=True):
            yield row["row_number"], {f: row[f] for f in typed.columns}, row["kind"], row["stands"], row["drawn"]

    def _keep(self, key: _Key, drawn: int, number: int, typed: Mapping[str, object], cells: _CellsOf) -> None:
        if key in self._held and self._held[key][0] <= drawn:
            return
        table, file, kind, reason = key
        why = "" if kind != ASIDE else REASONS[reason].meaning if reason in REASONS else reason
        self._held[key] = drawn, ShownRow(table, file, number, *cells(number), typed, why)

    def chosen(self) -> list[ShownRow]:
        """Those to be shown: each kind and standing once, from the files least shown so far; then a row of each file
        that has none; in the order of tables, files and rows."""
        found: list[ShownRow] = []
        shown: Counter[tuple[str, str]] = Counter()
        groups: dict[tuple[str, str, str], list[ShownRow]] = {}
        for key, (_, row) in sorted(self._held.items()):
            groups.setdefault((key[0], *key[2:]), []).append(row)
        left = {True: _MOST_ASIDE, False: _MOST_WORK}
        for (table, kind, _), rows in sorted(groups.items(), key=lambda g: (_rank(g[0]), g[0])):
            row = min(rows, key=lambda r: (shown[table, r.file], r.file))
            if left[kind == ASIDE] > 0:
                left[kind == ASIDE] -= 1
                shown[table, row.file] += 1
                found.append(row)
        for row in (row for rows in groups.values() for row in rows if row.typed):
            if not shown[row.table, row.file]:
                shown[row.table, row.file] += 1
                found.append(row)
        tables = list(dict.fromkeys(key[0] for key in self._held))
        return sorted(found, key=lambda r: (bool(r.why), tables.index(r.table), r.file, r.number))


def _rank(group: tuple[str, str, str]) -> int:
    """Kinds of work in the order of the list of events, which begins with what figures hang on."""
    events = list(EVENTS)
    return events.index(group[1]) if group[1] in EVENTS else len(events)


def _cells(batch: Batch, headings: Collection[str], number: int) -> tuple[dict[str, str], dict[str, str]]:
    """The filled cells of a row by heading: those under some headings, and the others."""
    row = batch.rows.filter(batch.numbers == number)
    cells = {h: text for h in row.columns if (text := text_of(row, h)[0])}
    return {h: t for h, t in cells.items() if h in headings}, {h: t for h, t in cells.items() if h not in headings}


def _line(line: str, number: int) -> tuple[dict[str, str], dict[str, str]]:
    """A record that is no row, as it stands."""
    return {f"line {number}": line}, {}
