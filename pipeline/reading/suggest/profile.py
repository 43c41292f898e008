"""What the values of each column look like: counts and shares that the ratings of fields rest on."""

import re
from dataclasses import dataclass, field
from functools import cached_property

import polars as pl

from pipeline.practice.codes import BUILT_IN, built_in, normalise_code
from pipeline.practice.fields import input_fields, kind, normal_words
from pipeline.practice.table_settings import EACH
from pipeline.practice.tables import INPUT_TABLES
from pipeline.practice.teeth import NOTATIONS
from pipeline.reading.headings import EXACT, PART, fit
from pipeline.reading.suggest.tooth_words import OPEN, tooth_words
from pipeline.transforms.clean import map_values
from pipeline.transforms.dates import DateForm, gather_evidence, parse_dates
from pipeline.transforms.other_days import six_digit_orders
from pipeline.transforms.parsers import gather_decimals, parse_fees
from pipeline.transforms.tooth_lists import parse_tooth_lists

CUT = r"^\s*#{3,}\s*$"  # what a spreadsheet shows, and writes to a text, where a column is too narrow
_MOST_DISTINCT = 3_000
_MANY_ROWS = 10
_STANDS_ALWAYS = 0.97  # some work is of no tooth
_OF_TIME = re.compile(r"(?i)time|stamp|epoch|zeit|heure|hora|tijd|ora\b|[ _]at$|[ _]ts$")
_SERIAL = r"^\d{5}(?:\.\d+)?$"
_SERIAL_FROM, _SERIAL_TO = 25_000, 48_500  # 1968 to 2032
_EARLIEST = pl.date(1890, 1, 1)
_LATEST = pl.date(2100, 1, 1)
_DASHES = r"^[-−–—.]+$"


@dataclass
class Column:
    """One column: `name` as the TOML must call it, `heading` as written (empty without), `place` from 1, its texts."""

    place: int
    name: str
    heading: str
    texts: pl.Series
    told: tuple[str, str] = ("", "")  # the field that a list beside shows it to be, and in what words
    _shares: dict[str, float] = field(default_factory=dict, init=False, repr=False)  # by pattern

    def fits(self, field: str) -> float:
        """How well its heading, or a list beside, says that it is a field (`headings.fit`)."""
        if self.told[0]:
            return EXACT if self.told[0] == field else 0.0
        return fit(self.heading, field) if self.heading else 0.0

    @property
    def n(self) -> int:
        """Rows."""
        return len(self.texts)

    @cached_property
    def filled(self) -> float:
        """Share of the rows with anything in this column."""
        return (self.n - self.texts.null_count()) / max(self.n, 1)

    @cached_property
    def counts(self) -> pl.DataFrame:
        """`text, n`: distinct texts, the commonest first."""
        found = pl.DataFrame({"text": self.texts}).drop_nulls().group_by("text").agg(pl.len().cast(pl.Int64).alias("n"))
        return found.sort(["n", "text"], descending=[True, False])

    @cached_property
    def common(self) -> pl.DataFrame:
        """The commonest of `counts`: enough to judge by."""
        return self.counts.head(_MOST_DISTINCT)

    @property
    def distinct(self) -> int:
        """Distinct texts."""
        return self.counts.height

    @property
    def unique(self) -> float:
        """Distinct texts in a filled row."""
        return self.distinct / max(self.n - self.texts.null_count(), 1)

    def share(self, test: pl.Expr) -> float:
        """Share of the filled rows whose text passes a test on the column `text`."""
        return self._part(self.common.filter(test))

    def _part(self, counts: pl.DataFrame) -> float:
        """The rows of some texts among those of `common`."""
        total = int(self.common["n"].sum())
        return int(counts["n"].sum()) / total if total else 0.0

    def matches(self, pattern: str) -> float:
        """Share of the filled rows whose text matches a pattern."""
        if pattern not in self._shares:
            self._shares[pattern] = self.share(pl.col("text").str.contains(pattern))
        return self._shares[pattern]

    @cached_property
    def words(self) -> dict[str, int]:
        """The commonest texts in the form of `normal_word`, each with its rows."""
        normal = self.common.select(normal_words(pl.col("text")), "n").group_by("text").agg(pl.col("n").sum())
        return dict(normal.iter_rows())

    @cached_property
    def dates(self) -> pl.Series:
        """The dates of the rows, in the likelier order of day and month: to compare columns with, not to store."""
        evidence = gather_evidence(self.common)
        year_last = evidence.month_first + evidence.day_first + evidence.either + evidence.same
        epoch = evidence.is_epoch and _is_headed_day(self.heading)
        if evidence.filled and not epoch and not (evidence.year_first + evidence.short_year + year_last):
            orders = six_digit_orders(self.counts) if _is_headed_day(self.heading) else []
            if not orders:
                return pl.Series("day", [None] * self.n, dtype=pl.Date)
            return parse_dates(self.texts, DateForm(pattern=orders[0], years_from=1930))["value"].alias("day")
        months = evidence.month_first + evidence.short_month_first >= evidence.day_first + evidence.short_day_first
        form = DateForm(month_first=months, years_from=1930, epoch=epoch, era=evidence.era)
        read = parse_dates(self.texts, form)["value"].to_frame("day")
        return read.select(pl.when(pl.col("day").is_between(_EARLIEST, _LATEST)).then("day"))["day"]

    @cached_property
    def date_share(self) -> float:
        """Share of the filled rows that are written dates, day numbers left aside."""
        return (self.n - self.dates.null_count()) / max(self.n - self.texts.null_count(), 1)

    @cached_property
    def serial_share(self) -> float:
        """Share of the filled rows that may be day numbers of a spreadsheet, 1968 to 2032."""
        number = pl.col("text").str.extract(r"^(\d{5})").cast(pl.Int64, strict=False)
        return self.share(pl.col("text").str.contains(_SERIAL) & number.is_between(_SERIAL_FROM, _SERIAL_TO))

    @property
    def runs_on(self) -> bool:
        """Whether the texts are whole numbers that are all different and lie close together, as running numbers do."""
        number = self.texts.cast(pl.Int64, strict=False).drop_nulls()
        if number.len() < 20 or number.n_unique() < 0.97 * number.len():
            return False
        low, high = number.quantile(0.05), number.quantile(0.95)
        return low is not None and high is not None and high - low <= 4 * number.len()

    @cached_property
    def days(self) -> pl.Series:
        """Dates as day numbers since 1970, day numbers of a spreadsheet among them."""
        if self.date_share >= self.serial_share:
            return self.dates.cast(pl.Int32)
        number = self.texts.str.extract(r"^(\d{5})").cast(pl.Int32, strict=False)
        return number - 25_569  # 1970-01-01 in the count from 1900

    @cached_property
    def tooth_words(self) -> dict[str, str]:
        """What stands before the numbers of teeth, and what it means (`tooth_words.tooth_words`)."""
        is_headed = self.fits("tooth") >= PART
        return tooth_words(self.common, is_headed=is_headed) if is_headed or self.filled < _STANDS_ALWAYS else {}

    @cached_property
    def tooth_texts(self) -> pl.DataFrame:
        """`text, n`: `common` with these words put into ours, letters of any quadrant as if of the upper right one."""
        words = {word: "UR*" if meant == OPEN else meant for word, meant in self.tooth_words.items()}
        return self.common.with_columns(map_values(self.common["text"], words)) if words else self.common

    @cached_property
    def teeth(self) -> dict[str, float]:
        """Share of the filled rows that name teeth, by notation."""
        return {notation: self._teeth(notation) for notation in NOTATIONS}

    def _teeth(self, notation: str) -> float:
        read = parse_tooth_lists(self.tooth_texts["text"], notation=notation)
        good = read["tooth_fdi"].is_not_null() | read["all_fdi"].is_not_null()
        # A dash is an empty cell, but in a column of nothing else.
        total = int(self.common.filter(~pl.col("text").str.contains(_DASHES))["n"].sum())
        return int(self.common.filter(good)["n"].sum()) / total if total else 0.0

    @cached_property
    def codes(self) -> dict[str, float]:
        """Share of the filled rows whose code a built-in list knows, by list."""
        # Of several codes in a cell the first; a comma within an amount has no blank behind it.
        first = pl.coalesce(pl.col("text").str.extract(r"^\s*(\w{3,})\s*(?:[,;+/|]\s+|[;+\n])\w"), pl.col("text"))
        known = {s: normalise_code(first, system=s).is_in(list(_listed(s))) for s in BUILT_IN}
        # With words beside it a code of this list is still known by its form.
        named = pl.col("text").str.extract(r"(?i)\b(D\d{4})\b").str.to_uppercase()
        known["cdt"] |= named.is_in(list(_listed("cdt"))).fill_null(False)
        return {s: self.share(test) for s, test in known.items()}

    @cached_property
    def numbers(self) -> pl.DataFrame:
        """`value, n` of the commonest texts that are amounts or numbers."""
        proof = gather_decimals(self.common)
        usual = parse_fees(self.common["text"], decimal="," if proof.comma > proof.point else ".")["value"]
        own = parse_fees(self.common["text"], decimal=EACH)["value"] if proof.is_mixed else usual
        return pl.DataFrame({"value": own.fill_null(usual), "n": self.common["n"]}).drop_nulls()

    @cached_property
    def number_share(self) -> float:
        """Share of the filled rows that are numbers."""
        return self._part(self.numbers)

    def number_within(self, low: float, high: float) -> float:
        """Share of the filled rows that are numbers within two limits."""
        return self._part(self.numbers.filter(pl.col("value").is_between(low, high)))


@dataclass
class FileProfile:
    """The columns of one file or sheet, and how they hang together."""

    columns: list[Column]
    _lifts: dict[int, float] = field(default_factory=dict, repr=False)
    _spans: dict[int, float] = field(default_factory=dict, repr=False)
    few: dict[str, list[Column]] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        # Running numbers of rows look like day numbers of a spreadsheet where they happen to lie in that range.
        numbered = [c for c in self.columns if c.serial_share >= 0.3]
        written = any(c.date_share >= 0.8 and c.filled >= 0.8 for c in self.columns) if numbered else False
        for column in numbered:
            if written or column.runs_on:
                column.serial_share = 0.0
        # The day of the export, on every row of it, is no day of work where another column has such days.
        dated = [c for c in self.columns if c.n >= _MANY_ROWS and c.filled >= 0.8 and c.date_share >= 0.8]
        if any(c.distinct > 1 for c in dated):
            for column in dated:
                column.date_share *= column.distinct > 1

    @cached_property
    def date_columns(self) -> list[Column]:
        """Columns of dates, the earliest first by their middle day."""
        found = [c for c in self.columns if c.filled > 0 and max(c.date_share, _serial(c)) >= 0.8]
        return sorted(found, key=lambda c: (_middle(c), c.place))

    @cached_property
    def main_date(self) -> Column | None:
        """The date column that is best filled and says more than one day; of equals the latest by its middle day."""
        rank = lambda c: (c.distinct > 1, round(c.filled, 1), _middle(c), -c.place)  # noqa: E731
        return max(self.date_columns, key=rank, default=None)

    @cached_property
    def code_column(self) -> Column | None:
        """The column with most codes that a list knows, leaving teeth aside, and amounts under a word for fees."""
        left = [c for c in self.columns if not (looks_like_teeth(c) or fit(c.heading, "fee") == EXACT)]
        rated = [(max(c.codes.values()), -c.place, c) for c in left]
        best = max(rated, default=None, key=lambda r: r[:2])
        return best[2] if best and best[0] >= 0.4 else None

    def spans_days(self, column: Column) -> float:
        """Of the texts that several rows share, the share on more than one day, or text of the one headed as days."""
        main = self.main_date or self._headed_day
        if main is None or main is column:
            return 0.0
        if column.place not in self._spans:
            day = main.texts if self.main_date is None else main.days
            rows = pl.DataFrame({"id": column.texts, "day": day}).drop_nulls()
            groups = rows.group_by("id").agg(pl.len(), pl.col("day").n_unique()).filter(pl.col("len") > 1)
            self._spans[column.place] = float((groups["day"] > 1).mean() or 0.0)  # type: ignore[arg-type]
        return self._spans[column.place]

    @cached_property
    def _headed_day(self) -> Column | None:
        return next((c for c in self.columns if c.filled >= 0.8 and fit(c.heading, "service_date") == EXACT), None)

    @cached_property
    def distinct_rows(self) -> int:
        """Rows that differ: an overlapping export holds the same row twice."""
        return pl.DataFrame([c.texts.alias(str(c.place)) for c in self.columns]).n_unique() if self.columns else 0

    def code_lift(self, column: Column) -> float:
        """How much better one guesses the text of a column if one knows the code of the row; 1 is no better."""
        if self.code_column is None or self.code_column is column:
            return 1.0
        if column.place not in self._lifts:
            rows = pl.DataFrame({"code": self.code_column.texts, "text": column.texts}).drop_nulls()
            within = tells(self.code_column, column)
            overall = int(column.counts["n"].head(1).sum()) / max(rows.height, 1)
            self._lifts[column.place] = within / overall if overall else 1.0
        return self._lifts[column.place]


def tells(known: Column, other: Column) -> float:
    """Of rows whose text in `known` comes back, the share with the usual text of `other` beside it."""
    rows = pl.DataFrame({"known": known.texts, "other": other.texts}).drop_nulls()
    by = rows.group_by("known", "other").len().group_by("known").agg(n=pl.col("len").sum(), most=pl.col("len").max())
    again = by.filter(pl.col("n") > 1)
    # The one row by which the usual text is known says nothing of the others.
    left = int(again["n"].sum()) - again.height
    return (int(again["most"].sum()) - again.height) / left if left else 0.0


def _is_headed_day(heading: str) -> bool:
    """Whether a heading is one of a date: a number of 10 or 13 digits elsewhere is a telephone's or a patient's."""
    days = {f for table in INPUT_TABLES for f in input_fields(table) if kind(table, f) == "date"}
    return bool(heading) and (bool(_OF_TIME.search(heading)) or any(fit(heading, field) >= PART for field in days))


def looks_like_teeth(column: Column) -> bool:
    """Whether nearly all texts are teeth of one notation, and more than a few different ones."""
    return column.distinct >= 5 and max(column.teeth.values()) >= 0.95 and column.distinct <= 400


def _serial(column: Column) -> float:
    """Day numbers are taken for dates only where they repeat and are many: a patient's number may look like one."""
    return column.serial_share if column.distinct >= 5 else 0.0


def _middle(column: Column) -> float:
    return float(column.days.median() or 0)  # type: ignore[arg-type]


def _listed(system: str) -> set[str]:
    return set(built_in(system)["code"])
