"""Teeth of two offices in one table, each in a notation of its own: 14 is another tooth in Universal than in FDI.

Whichever notation is told, half of the rows would be read as other teeth, and only the few numbers that the other
notation alone has would be set aside. So the numbers that one notation alone has are counted by file and by each column
of few texts.
"""

import functools
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.teeth import teeth
from pipeline.reading.doubts.cells import MONTH, named_month, read_once
from pipeline.reading.doubts.doubt import Doubt, ask, inline, of_ledger
from pipeline.reading.suggest.toml_quote import quoted

FILE = "(file)"
READABLE = ("universal", "fdi")
_NUMBER = r"^\s*#?0?(\d{1,2})(?:\.0+)?\s*$"
_MOST_TEXTS = 200
_LEAST_ROWS, _LEAST_PROOFS, _SURELY = 3, 2, 5
_SLIPS = 0.01  # so many of a large file are slips of the pen, which are set aside (common practice, no source)
_TOKEN = re.compile(r"(?<![A-Za-z0-9])(?:\d{1,2}(?!\d)(?!\.\d*[1-9])|[A-Ta-t](?![A-Za-z]))")


@dataclass
class TeethBy:
    """Rows by text of a column and number of a tooth, of columns with few texts; under `(file)` of all rows. `months`
    are rows by month, counted from the year 0, and number. Rows that are told to be void count nowhere."""

    held: dict[str, Counter[tuple[str, int]]] = field(default_factory=dict)
    months: Counter[tuple[int, int]] = field(default_factory=Counter)

    def add(self, rows: pl.DataFrame, fields: pl.DataFrame, cleaned: pl.DataFrame, headings: Iterable[str]) -> None:
        """Take in a batch: its cells, the fields made of them and the typed rows."""
        number = read_once(fields["tooth"], lambda text: text.str.extract(_NUMBER).cast(pl.Int64))
        if "status" in fields.columns:
            number = pl.select(pl.when(fields["status"].cast(pl.String) != "void").then(number)).to_series()
        if {"row_number", "service_date"} <= {*fields.columns} and "service_date" in cleaned.columns:
            self.months.update(_by_month(fields, number, cleaned))
        for heading in (FILE, *headings):
            by = pl.Series([""] * len(number)) if heading == FILE else rows.get_column(heading).cast(pl.String)
            counts = pl.DataFrame({"by": by.fill_null("").str.strip_chars(), "tooth": number}).drop_nulls("tooth")
            held = self.held.setdefault(heading, Counter())
            if len(held) <= _MOST_TEXTS * 85:
                held.update({(text, n): times for text, n, times in counts.group_by("by", "tooth").len().iter_rows()})


def _by_month(fields: pl.DataFrame, number: pl.Series, cleaned: pl.DataFrame) -> dict[tuple[int, int], int]:
    """Rows by month and number; rows set aside for their tooth are of the day that other rows with its text are of."""
    read = cleaned.select("row_number", month=MONTH).drop_nulls().unique("row_number")
    rows = pl.DataFrame([fields["row_number"], fields["service_date"].cast(pl.String).alias("day"), number.alias("n")])
    days = rows.join(read, on="row_number").group_by("day").agg(pl.col("month").min())
    found = rows.drop_nulls().join(days, on="day").group_by("month", "n").len()
    return {(of, n): times for of, n, times in found.iter_rows()}


@dataclass(frozen=True)
class _Proofs:
    """Rows with a number, and of them those whose number one notation alone has."""

    rows: int = 0
    universal: int = 0
    fdi: int = 0

    @property
    def notation(self) -> str | None:
        """The only one that all of them fit."""
        if self.rows < _LEAST_ROWS or bool(self.universal) == bool(self.fdi):
            return None
        return "universal" if self.universal else "fdi"


def two_notations(table: str, seen: Mapping[str, TeethBy], notation: str) -> list[Doubt]:
    """Files, or texts of a column, of which some only fit the notation that is told and others only the other one.

    `seen` are the files of a table by name.
    """
    if notation not in READABLE:
        return []
    files = {name: _proofs(one.held.get(FILE, Counter())).get("", _Proofs()) for name, one in seen.items()}
    if found := _parted(files):
        return _doubt(table, FILE, found, notation)
    for name, one in seen.items():
        if files[name].notation is not None or not (files[name].universal and files[name].fdi):
            continue
        for heading in sorted(h for h in one.held if h != FILE):
            if found := _parted(_proofs(one.held[heading])):
                return _doubt(f"{table}: {name}", heading, found, notation)
        few, many = sorted((files[name].universal, files[name].fdi))
        if few >= max(_SURELY, _SLIPS * many):
            return _mixed(f"{table}: {name}", files[name], _changed_on(one.months))
    return []


def _proofs(counts: Mapping[tuple[str, int], int]) -> dict[str, _Proofs]:
    universal, fdi = _alone()
    found: dict[str, Counter[str]] = {}
    for (text, number), n in counts.items():
        of = found.setdefault(text, Counter())
        of["rows"] += n
        of["universal"] += n * (number in universal)
        of["fdi"] += n * (number in fdi)
    return {text: _Proofs(of["rows"], of["universal"], of["fdi"]) for text, of in found.items()}


def _parted(proofs: Mapping[str, _Proofs]) -> dict[str, _Proofs]:
    """The texts that prove a notation, if both are proved and none proves both."""
    told = {text: one for text, one in proofs.items() if one.notation}
    both = any(one.universal and one.fdi for one in proofs.values())
    enough = sum(one.universal + one.fdi for one in told.values()) > _LEAST_PROOFS
    return told if not both and enough and len({one.notation for one in told.values()}) > 1 else {}


def _doubt(where: str, heading: str, found: Mapping[str, _Proofs], notation: str) -> list[Doubt]:
    other = {text: str(one.notation) for text, one in sorted(found.items()) if one.notation != notation}
    shown = "; ".join(
        f"{text or 'empty'}: {one.universal:,} of {one.rows:,} teeth in universal only, {one.fdi:,} in fdi only"
        for text, one in sorted(found.items())
    )
    by = "by file" if heading == FILE else f'by the column "{heading}"'
    return ask(
        "two_notations",
        where,
        f"the numbers of teeth are of two notations, {by}: {shown}.",
        (
            "tables.procedures" if where.startswith("procedures") else f"tables.{where.partition(':')[0]}",
            f"tooth_notation_by.{quoted(heading)} = {inline(other)}",
            f"all others are in {notation}, as [practice] tooth_notation says",
        ),
        notation=notation,
    )


def _changed_on(months: Mapping[tuple[int, int], int]) -> str:
    """The month from which on there is nearly one notation alone, where there is nearly the other alone before it."""
    universal, fdi = _alone()
    by: dict[int, list[int]] = {}
    for (month, number), n in months.items():
        both = by.setdefault(month, [0, 0])
        both[0] += n * (number in universal)
        both[1] += n * (number in fdi)
    every = [sum(n[which] for n in by.values()) for which in (0, 1)]
    for first in (0, 1):
        if min(every) < _SURELY:
            continue
        wrong, month = min((_against(by, cut, first), cut) for cut in by)
        if wrong <= _SLIPS * sum(every):
            return f"{READABLE[first]} before {named_month(month)} and {READABLE[1 - first]} from then on"
    return ""


def _against(by: Mapping[int, Sequence[int]], cut: int, first: int) -> int:
    """Rows with a number of the other notation, where those before a month have the `first` one and the rest not."""
    return sum(n[1 - first] if month < cut else n[first] for month, n in by.items())


def _mixed(where: str, proofs: _Proofs, changed: str) -> list[Doubt]:
    but = f", but the time does: {changed}" if changed else ""
    return ask(
        "two_notations.changed" if changed else "two_notations.mixed",
        where,
        f"of {proofs.rows:,} teeth {proofs.universal:,} have numbers of the universal notation only and {proofs.fdi:,} "
        f"of fdi only, and no column parts them{but}.",
        of_ledger(
            'tooth_notation_by."<heading>" = { "<text>" = "fdi" }',
            "the column that says of which office, clinician or program a row is, and its texts",
        ),
    )


def rewritten(texts: pl.Series, *, written: str, notation: str) -> pl.Series:
    """Teeth written in one notation, `universal` or `fdi`, in the writing of another; what is none becomes `?`."""
    known = dict(
        teeth().select(pl.col(written).cast(pl.String), pl.col(notation).cast(pl.String).alias("as")).iter_rows()
    )

    def one(text: str) -> str:
        return _TOKEN.sub(lambda found: known.get(found[0].upper().lstrip("0") or "0", "?"), text)

    distinct = texts.drop_nulls().unique().to_list()
    return texts.replace_strict({text: one(text) for text in distinct}, default=None, return_dtype=pl.String)


@functools.cache  # and not at import: Polars' threads, once begun, are none in a process forked afterwards
def _alone() -> tuple[frozenset[int], frozenset[int]]:
    numbers = [{int(n) for n in teeth()[of].cast(pl.String) if str(n).isdigit()} for of in ("universal", "fdi")]
    return frozenset(numbers[0] - numbers[1]), frozenset(numbers[1] - numbers[0])
