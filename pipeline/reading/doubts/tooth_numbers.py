"""How teeth are numbered: by quadrant and place (in one column, in two, or as months of a date), in which of two
notations, and whether codes that name a class of tooth stand on teeth of that class.

Words of quadrants, jaws and sides in English, German, French, Spanish, Portuguese, Dutch and Italian: common practice,
no source. ISO 3950 has 1 to 4 for the quadrants and, for a quadrant itself, 10 to 40 (from memory).
"""

import functools
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.practice.codes import TOOTH_CLASSES
from pipeline.practice.teeth import teeth
from pipeline.reading.doubts.cells import MONTH, named_month, read_once, tally, text_of
from pipeline.reading.doubts.doubt import Doubt, ask, inline, of_ledger
from pipeline.reading.suggest.shown import quoted
from pipeline.transforms.month_names import MONTHS

# How quadrants (from the upper right round), jaws and sides are written.
QUADRANT_WORDS, _JAW_WORDS, _SIDE_WORDS = (
    {word: row["means"] for row in data_rows("tooth_places") if row["part"] == part for word in row["words"].split()}
    for part in ("quadrant", "jaw", "side")
)
MONTH_IS_QUADRANT, DAY_IS_QUADRANT = "month_is_quadrant", "day_is_quadrant"
_DAY_MONTH = r"^(\d{1,2})[-/. ]?\s*(\p{L}{3,})\.?$"
_MONTH_DAY = r"^(\p{L}{3,})\.?[-/. ]?\s*(\d{1,2})$"
_ISO = r"^\d{4}-(\d{2})-(\d{2})(?:[T ]|$)"


def quadrant_word(text: pl.Expr) -> pl.Expr:
    """The name of a quadrant in the form of `QUADRANT_WORDS`."""
    bare = _bare(text)
    return bare.str.replace(r"^(.+?)(?:QUADRANT|QUAD)$", "${1}")


def quadrant_text(rows: pl.DataFrame, headings: Sequence[str]) -> pl.Series:
    """The quadrant as a column tells it; of two columns, jaw and side in either order, its letters."""
    cells = [text_of(rows, h) for h in headings]
    if len(cells) == 1:
        return cells[0]
    words = pl.DataFrame({"a": cells[0], "b": cells[1]}).select(_bare(pl.all()))
    jaw = {n: pl.col(n).replace_strict(_JAW_WORDS, default=None, return_dtype=pl.String) for n in "ab"}
    side = {n: pl.col(n).replace_strict(_SIDE_WORDS, default=None, return_dtype=pl.String) for n in "ab"}
    return words.select(pl.coalesce(jaw["a"] + side["b"], jaw["b"] + side["a"])).to_series()


def listed_quadrant(rows: pl.DataFrame, headings: Sequence[str]) -> list[str]:
    """The first of some columns that names quadrants in words or letters; none where there is none."""
    for heading in (h for h in headings if h in rows.columns):
        text = text_of(rows, heading).replace("", None).drop_nulls().to_frame("text")
        is_word = quadrant_digit(pl.col("text")).is_not_null() & ~pl.col("text").str.contains(r"^\d")
        if text.height and text.select(is_word.all()).item():
            return [heading]
    return []


def quadrant_digit(text: pl.Expr) -> pl.Expr:
    """The number of a quadrant, 1 to 4, as text; null for what names none."""
    return quadrant_word(text).replace_strict(QUADRANT_WORDS, default=None, return_dtype=pl.String)


def as_written(fdi: pl.Expr, notation: str) -> pl.Expr:
    """Two-digit ISO 3950 numbers, as text, in the writing of a notation; null for what is no tooth."""
    names = teeth().select(pl.col(c).cast(pl.String).alias(n) for n, c in (("of", "fdi"), ("as", notation)))
    return fdi.replace_strict(dict(names.iter_rows()), default=None, return_dtype=pl.String)


def may_be_date(text: pl.Expr) -> pl.Expr:
    """Whether a text is written as `tooth_of_date` reads one."""
    return text.str.strip_chars().str.to_lowercase().str.contains(f"{_DAY_MONTH}|{_MONTH_DAY}|{_ISO}")


def tooth_of_date(text: pl.Expr, way: str) -> pl.Expr:
    """The two-digit number of a tooth, `1-6`, that a spreadsheet took for a day, `6-Jan`; null for other texts. By
    `way` the month or the day is the quadrant, 1 to 8, and the other one the place, 1 to 8."""
    low = text.str.strip_chars().str.to_lowercase()
    named = pl.coalesce(low.str.extract(_DAY_MONTH, 2), low.str.extract(_MONTH_DAY, 1))
    by_name = named.replace_strict(MONTHS, default=None, return_dtype=pl.Int32)
    month = pl.coalesce(by_name, low.str.extract(_ISO, 1).cast(pl.Int32, strict=False))
    day = pl.coalesce(
        low.str.extract(p, g).cast(pl.Int32, strict=False) for p, g in ((_DAY_MONTH, 1), (_MONTH_DAY, 2), (_ISO, 2))
    )
    first, second = (month, day) if way == MONTH_IS_QUADRANT else (day, month)
    fdi = (first * 10 + second).cast(pl.String)
    return pl.when(first.is_between(1, 8) & second.is_between(1, 8)).then(as_written(fdi, "fdi"))


def _bare(text: pl.Expr) -> pl.Expr:
    return text.str.to_uppercase().str.replace(r"^(\d+)\.0+$", "${1}").str.replace_all(r"[\s./_-]+", "")


# A slip of the pen is rarer by far; teeth counted one too low put about a quarter of all root canals out of class.
_LEAST, _SHARE = 4, 0.1
OWN, ZERO = "own", "counted from 0"
_OTHER = {"universal": "fdi", "fdi": "universal"}


def classes_of(codes: pl.DataFrame) -> pl.DataFrame:
    """`code, said`: the class of tooth that a code is for, of codes that are for one."""
    return codes.filter(pl.col("detail").is_in(TOOTH_CLASSES)).select("code", said="detail")


def in_class(cleaned: pl.DataFrame, classes: pl.DataFrame, notation: str) -> Counter[tuple[str, bool]]:
    """Typed rows with such a code on a permanent tooth, by reading of its number and whether it is of that class."""
    found: Counter[tuple[str, bool]] = Counter()
    if notation not in _OTHER:
        return found
    rows = cleaned.select("code", "tooth_fdi").join(classes, on="code")
    rows = rows.join(_readings(notation), on="tooth_fdi")
    for reading in (c for c in _readings(notation).columns if c != "tooth_fdi"):
        fits = (rows[reading] == rows["said"]).fill_null(False)
        found[reading, True] += int(fits.sum())
        found[reading, False] += int((~fits).sum())
    return found


@cache
def _readings(notation: str) -> pl.DataFrame:
    """One row per permanent tooth, `tooth_fdi` and its class; and the class if its number is read otherwise."""
    all_teeth = teeth().filter(pl.col("dentition") == "permanent")
    written = all_teeth.select(pl.col("fdi").alias("tooth_fdi"), "tooth_group", number=pl.col(notation).cast(pl.Int32))
    kinds = dict(all_teeth.select(pl.col(_OTHER[notation]).cast(pl.Int32), "tooth_group").iter_rows())
    own = dict(written.select("number", "tooth_group").iter_rows())
    number = pl.col("number")
    made = {_OTHER[notation]: number.replace_strict(kinds, default=None, return_dtype=pl.String)}
    if notation == "universal":
        made[ZERO] = (number + 1).replace_strict(own, default=None, return_dtype=pl.String)
    return written.select("tooth_fdi", pl.col("tooth_group").alias(OWN), **made)


def class_doubts(where: str, table: str, found: Mapping[tuple[str, bool], int], notation: str) -> list[Doubt]:
    """More such rows than slips can be, and hardly any in another reading."""
    n = found.get((OWN, False), 0)
    rows = n + found.get((OWN, True), 0)
    if n < _LEAST or n <= _SHARE * rows:
        return []
    misses = {reading: wrong for (reading, fits), wrong in found.items() if not fits and reading != OWN}
    best = min(misses, key=lambda reading: (misses[reading], reading), default=None)
    if best is None or misses[best] > _SHARE * rows:
        return []
    how = "if they are counted from 0" if best == ZERO else f"if they are read as {best}"
    answer = (
        (f"tables.{table}", 'teeth_count_from = "zero"', "yes: each number is one too low")
        if best == ZERO
        else ("practice", f'tooth_notation = "{best}"', "yes: they are numbered so")
    )
    evidence = (
        f"{n:,} of {rows:,} root canals and the like have the code of another class of tooth than the tooth that "
        f"they name in {notation} (a molar's on a premolar, say); {how} it is {misses[best]:,}."
    )
    return ask("tooth_classes", where, evidence, answer)


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
        self.held.setdefault(FILE, Counter()).update(
            {("", n): times for n, times in tally(number.drop_nulls()).items()}
        )
        for heading in headings:
            by = rows.get_column(heading).cast(pl.String).fill_null("").str.strip_chars()
            counts = pl.DataFrame({"by": by, "tooth": number}).drop_nulls("tooth")
            held = self.held.setdefault(heading, Counter())
            if len(held) <= _MOST_TEXTS * 85:
                held.update({(text, n): times for text, n, times in counts.group_by("by", "tooth").len().iter_rows()})


def _by_month(fields: pl.DataFrame, number: pl.Series, cleaned: pl.DataFrame) -> dict[tuple[int, int], int]:
    """Rows by month and number; rows set aside for their tooth are of the day that other rows with its text are of."""
    read = cleaned.select("row_number", month=MONTH).drop_nulls()
    rows = pl.DataFrame([fields["row_number"], fields["service_date"].cast(pl.String).alias("day"), number.alias("n")])
    days = rows.join(read, on="row_number").group_by("day").agg(pl.col("month").min())
    counts = rows.drop_nulls().group_by("day", "n").len()
    found = counts.join(days, on="day").group_by("month", "n").agg(pl.col("len").sum())
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
    """Files (`seen`, by name) or texts of a column of which some only fit the told notation, some only the other."""
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
        # Rows with a number of the other notation, where those before a month have the first one and the rest not.
        wrong, month = min((sum(n[1 - first] if m < cut else n[first] for m, n in by.items()), cut) for cut in by)
        if wrong <= _SLIPS * sum(every):
            return f"{READABLE[first]} before {named_month(month)} and {READABLE[1 - first]} from then on"
    return ""


def _mixed(where: str, proofs: _Proofs, changed: str) -> list[Doubt]:
    but = f", but the time does: {changed}" if changed else ""
    means = "the column that says of which office, clinician or program a row is, and its texts"
    return ask(
        "two_notations.changed" if changed else "two_notations.mixed",
        where,
        f"of {proofs.rows:,} teeth {proofs.universal:,} have numbers of the universal notation only and {proofs.fdi:,} "
        f"of fdi only, and no column parts them{but}.",
        of_ledger('tooth_notation_by."<heading>" = { "<text>" = "fdi" }', means),
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
