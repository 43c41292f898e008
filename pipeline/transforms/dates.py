"""Dates as written, and the decision which form a column has.

Day and month are never guessed. A column whose values do not settle the order is refused, with the counts. Neither
is the century of a year of two digits, nor the first day of a spreadsheet's day numbers: PRACTICE.toml says them.

References
----------
ECMA-376 Part 1, 18.17.4: day numbers. In the 1900 system 1 is 1900-01-01 and 60 stands for 1900-02-29, a day that never
was; in the 1904 system 0 is 1904-01-01.
"""

import datetime as dt
from dataclasses import dataclass, replace

import polars as pl

from pipeline.machine.errors import DataError, TwoOrdersError
from pipeline.practice.counts import count
from pipeline.transforms.month_names import named_date, named_short_date, named_short_year
from pipeline.transforms.other_days import ERAS, as_ordinary, epoch_as_stamp, epoch_seconds

FIRST_DAY = pl.date(1900, 1, 1)
# Days that programs write where there is none: the first of a calendar, of a database or of a spreadsheet.
NO_DAY = (dt.date(1, 1, 1), dt.date(1753, 1, 1), dt.date(1899, 12, 30), dt.date(1899, 12, 31), dt.date(1900, 1, 1))
# A stamp of a full hour after this one may be midnight of the next day, told in the time of another place. Noon itself
# is what careful programs write for a day without a time.
NOON = 12
# Share of the deciding values below which those against the order are taken for slips of the pen.
MAX_AGAINST = 0.01

_YEAR_FIRST = r"^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})$"
_RUN_TOGETHER = r"^((?:1[89]|2[01])\d{2})(\d{2})(\d{2})$"
_YEAR_LAST = r"^(\d{1,2})([-/.])(\d{1,2})[-/.](\d{4})$"
_SHORT_YEAR = r"^(\d{1,2})([-/.])(\d{1,2})[-/.](\d{2})$"
_YEAR_OF_WORK, _MONTH = r"(?:1[89]|2[0-5])\d{2}", r"(?:0?[1-9]|1[0-2])"  # years of Buddhists too
_MONTH_ONLY = rf"^(?:{_MONTH}[-/.]{_YEAR_OF_WORK}|{_YEAR_OF_WORK}[-/.]{_MONTH}|\p{{L}}{{3,}}\.?[\s/.-]\d{{4}})$"
_SERIAL = r"^(\d{1,7})(?:[.,]\d+)?$"
_LIKELY_SERIAL = r"^\d{5}(?:[.,]\d+)?$"  # 1927 to 2173, or four years more
_YEAR_ALONE = r"^(?:1[89]|2[01])\d{2}(?:\.0+)?$"
_TIME = r"[T\s]+\d{1,2}:\d{2}.*$"
_MISSING = ("null", "n/a", "nan", "nat", "none", "0000-00-00", "00/00/0000", "0")
_LETTER = r"\p{L}"
_LAST_SERIAL = {"1900": 2_958_465, "1904": 2_957_003}  # 9999-12-31


@dataclass(frozen=True)
class DateForm:
    """How the dates of one column are read.

    `pattern` is a strptime pattern; without it dates are read with the year first, with the month by name or, where
    the year comes last, in the order of `month_first` (None: only where day and month are equal). `years_from` is the
    first of the hundred years that two digits stand for; None reads none (a `%y` in `pattern` is then as in POSIX: 69
    is 1969, 68 is 2068). `serial` is the system of a spreadsheet's day numbers, `1900` or `1904`; None reads none.
    `born_by`, only of birth dates, is a day after which nobody was born: a later birth date whose year has two digits
    lies a hundred years before, and a year alone is no day number. `epoch`: the values are seconds or milliseconds
    since 1970. `era`: the years are of another era, by its name in `ERAS`. `zone`: days with the year last are
    midnights of this time zone, told in the time of Greenwich; those with the year first were read so before.
    """

    month_first: bool | None = None
    pattern: str | None = None
    years_from: int | None = None
    serial: str | None = None
    born_by: dt.date | None = None
    epoch: bool = False
    era: str = ""
    zone: str | None = None


@dataclass(frozen=True)
class DateEvidence:
    """What the values of one column say about its form, in rows.

    The `short_` counts are of the values with a year of two digits, by the orders that they fit.
    """

    filled: int
    year_first: int  # or the month by name: nothing to decide
    month_first: int  # fits month/day only
    day_first: int  # fits day/month only
    either: int  # fits both, for different days
    same: int  # day and month are equal
    short_year: int
    short_month_first: int
    short_day_first: int
    short_either: int
    short_maybe_first: int  # fits year/month/day as well as an order with the year last
    short_named: int
    serial: int
    separator: str
    epoch: int  # seconds or milliseconds since 1970
    era: str  # another one, of which the years of all values are
    month_only: int  # a month and a year, without a day
    # Of dates with a year of two digits: how many different numbers stand first and last, and whether one that stands
    # first can be no day.
    short_firsts: int
    short_lasts: int
    short_no_day: bool

    @property
    def is_epoch(self) -> bool:
        """Whether all values are seconds or milliseconds since 1970."""
        return bool(self.filled) and self.epoch == self.filled

    @property
    def maybe_year_first(self) -> bool:
        """Whether dates with a year of two digits may have it in front: all fit so, and more numbers stand last."""
        spelled = self.short_year - self.short_named
        if not spelled or self.short_maybe_first != spelled:
            return False
        return self.separator == "-" or self.short_lasts > self.short_firsts or self.short_no_day


def gather_evidence(counts: pl.DataFrame) -> DateEvidence:
    """Count the forms of a column's values; `counts` has one row per distinct text: `text, n`."""
    counts = counts.with_columns(bare_dates(counts["text"]).alias("text")).filter(_is_filled(pl.col("text")))
    text = pl.col("text")
    is_of = counts.select(era.is_one(text).all().alias(name) for name, era in ERAS.items())
    era = next((name for name in ERAS if counts.height and is_of[name].item()), "")
    if era:
        counts = counts.with_columns(ERAS[era].as_common(text).alias("text"))
    has_words = bool(counts["text"].str.contains(_LETTER).any())
    first, second = (text.str.extract(_YEAR_LAST, g).cast(pl.Int32, strict=False) for g in (1, 3))
    short_1, short_2, short_3 = (text.str.extract(_SHORT_YEAR, g).cast(pl.Int32, strict=False) for g in (1, 3, 4))
    month_first, day_first, either, same = _orders(first, second)
    short_month, short_day, short_either, short_same = _orders(short_1, short_2)
    is_named = named_short_year(text).is_not_null() if has_words else pl.lit(False)
    is_named_date = named_date(text).is_not_null() if has_words else pl.lit(False)
    shapes = counts.select(
        "n",
        year_first=text.str.contains(_YEAR_FIRST) | text.str.contains(_RUN_TOGETHER) | is_named_date,
        month_first=month_first,
        day_first=day_first,
        either=either,
        same=same,
        short_year=text.str.contains(_SHORT_YEAR) | is_named,
        short_month_first=short_month,
        short_day_first=short_day,
        short_either=short_either | short_same,
        short_maybe_first=(short_2.is_between(1, 12) & short_3.is_between(1, 31)).fill_null(False),
        short_named=is_named,
        serial=text.str.contains(_LIKELY_SERIAL),
        separator=pl.coalesce(text.str.extract(_YEAR_LAST, 2), text.str.extract(_SHORT_YEAR, 2)),
        epoch=epoch_seconds(text).is_not_null(),
        month_only=text.str.contains(_MONTH_ONLY),
        first=short_1,
        last=short_3,
    )
    kinds = [name for name in shapes.columns if name not in ("n", "separator", "first", "last")]
    rows = shapes.select(pl.col("n").filter(pl.col(k)).sum().alias(k) for k in kinds).row(0, named=True)
    common = shapes.drop_nulls("separator").group_by("separator").agg(pl.col("n").sum()).sort("n", "separator")
    firsts = shapes["first"].drop_nulls()
    return DateEvidence(
        filled=int(shapes["n"].sum()),
        **rows,
        era=era,
        separator=common["separator"][-1] if common.height else "/",
        short_firsts=firsts.n_unique(),
        short_lasts=shapes["last"].drop_nulls().n_unique(),
        short_no_day=bool((firsts > 31).any()),
    )


def decide_form(
    evidence: DateEvidence, *, column: str, table: str, years_from: int | None = None, serial: str | None = None
) -> DateForm:
    """The form of a column under `date_format = "auto"`.

    `column` names file, heading and field in the message. The order of day and month follows the values that fit one
    order only. Where both orders have such values, the majority rules only if the others are below 1 % of them: those
    then cannot be read and are set aside. `years_from` and `serial` are as in `DateForm`. With `years_from`, dates
    with a year of two digits count like the others, unless all of them could have the year in front.

    Raises DataError if two orders fit, both have evidence, years have two digits or days are numbered and PRACTICE.toml
    does not say how, or nothing in the column is a date.
    """
    e, s = evidence, evidence.separator
    if e.is_epoch:
        return DateForm(epoch=True)
    write = f"under [tables.{table}] write date_format ="
    _refuse_unsaid(e, column=column, table=table, years_from=years_from, serial=serial)
    short = years_from is not None
    months, days = (
        e.month_first + short * e.short_month_first,
        e.day_first + short * e.short_day_first,
    )
    either, deciding = e.either + short * e.short_either, months + days
    year = "%y" if short and e.short_year > e.month_first + e.day_first + e.either + e.same else "%Y"
    both = f'{write} "%m{s}%d{s}{year}" if the month comes first, or "%d{s}%m{s}{year}" if the day does.'
    read = e.year_first + e.same + either + deciding + short * e.short_named + (serial is not None) * e.serial
    if e.filled and not read and e.month_only >= (1 - MAX_AGAINST) * e.filled:
        raise DataError(
            f"{column}: {e.month_only:,} of {e.filled:,} values are months without a day, and none is a whole date.\n"
            "  What came first in a month, a root canal or a crown, cannot be told from that. Export the day of each "
            "procedure, or choose another column."
        )
    if e.filled and not read:
        raise DataError(
            f"{column}: none of {e.filled:,} values is a date that can be read.\n"
            f'  Choose another column, or {write} with the pattern of these dates, e.g. "%d %b %Y" for 5 Mar 2020.'
        )
    spelled = e.short_year - e.short_named
    if short and spelled >= MAX_AGAINST * e.filled and e.maybe_year_first:
        raise DataError(
            f"{column}: {spelled:,} of {e.filled:,} dates have a year of two digits that may come first or last.\n"
            f'  To settle it, {write} "%y{s}%m{s}%d" (year first), "%d{s}%m{s}%y" (day first) or "%m{s}%d{s}%y" (month '
            "first)."
        )
    settled = DateForm(years_from=years_from, serial=serial, era=e.era)
    if not deciding:
        if either and either >= MAX_AGAINST * e.filled:
            raise DataError(
                f"{column}: {either:,} of {e.filled:,} dates fit both month/day and day/month, and no date decides.\n"
                f"  To settle it, {both}"
            )
        return settled
    if min(months, days) >= MAX_AGAINST * deciding:
        raise TwoOrdersError(
            f"{column}: {count(months, 'date')} fit month/day only and {days:,} fit day/month only.\n"
            f"  If a column says of which office a row is, write date_order_by with its heading under "
            f"[tables.{table}]: each office's order is then found by itself. Else split the file, or {both}\n"
            "  Dates that do not fit are then set aside."
        )
    return replace(settled, month_first=months > days)


_NUMBERS_YEAR_LAST = r"^\d{1,2}[./ -]\d{1,2}[./ -]\d{2}(?:\d{2})?$"


def parse_dates(texts: pl.Series, form: DateForm) -> pl.DataFrame:
    """Read written dates; a time of day behind the date is dropped.

    One row per text: `text`; `value`, the date or null; `note`, `unreadable` where there is text that is no date of
    this form, else null. Words for nothing (null, n/a, 0000-00-00, and a bare 0) are read as missing.
    """
    written = pl.DataFrame({"text": texts}, schema={"text": pl.String()})
    text = pl.col("text").str.strip_chars()
    stripped = written.select(epoch_as_stamp(text) if form.epoch else text).to_series()
    # A column with times of day has many texts and few days.
    timed = _is_timed(form.pattern)
    bare = stripped if timed else bare_dates(stripped, as_written=form.pattern is not None)
    written = written.with_columns(bare.alias("bare"))
    if form.era:
        written = written.with_columns(ERAS[form.era].as_common(pl.col("bare")))
    distinct = written.select(pl.col("bare").unique().drop_nulls())
    text = pl.col("bare")
    has_words = bool(distinct["bare"].str.contains(_LETTER).any())
    value = (
        _by_pattern(text, form, form.pattern) if form.pattern is not None else _by_shape(text, form, named=has_words)
    )
    if form.serial is not None:
        is_year = text.str.contains(_YEAR_ALONE) if form.born_by else pl.lit(False)
        value = pl.coalesce(value, pl.when(~is_year).then(serial_date(text, form.serial)))
    if form.zone is not None:
        last_minute = (value.cast(pl.Datetime("us")) + pl.duration(minutes=24 * 60 - 1)).dt.replace_time_zone("UTC")
        local = last_minute.dt.convert_time_zone(form.zone).dt.date()
        value = pl.when(text.str.contains(_NUMBERS_YEAR_LAST)).then(local).otherwise(value)
    filled = _is_filled(text)
    read = distinct.with_columns(pl.when(filled).then(value).alias("value")).with_columns(
        pl.when(filled & pl.col("value").is_null()).then(pl.lit("unreadable")).alias("note")
    )
    return written.join(read, on="bare", how="left", maintain_order="left").select("text", "value", "note")


def serial_date(text: pl.Expr, system: str) -> pl.Expr:
    """The day that a spreadsheet's day number stands for, `system` 1900 or 1904; a fraction is the time of day.

    Null for other texts, for numbers past the year 9999 and, in the 1900 system, for 0 and for 60.
    """
    number = text.str.extract(_SERIAL, 1).cast(pl.Int32, strict=False)
    fits = number.is_between(1 if system == "1900" else 0, _LAST_SERIAL[system])
    if system == "1904":
        day = pl.lit(dt.date(1904, 1, 1))
    else:
        fits &= number != 60
        day = pl.when(number < 60).then(pl.lit(dt.date(1899, 12, 31))).otherwise(pl.lit(dt.date(1899, 12, 30)))
    return pl.when(fits).then((day.cast(pl.Int32) + number).cast(pl.Date))


def bare_dates(texts: pl.Series, *, as_written: bool = False) -> pl.Series:
    """Written dates without the time of day behind them, one text per text.

    Unless `as_written` is set they are also without the day of the week, and with signs between their parts.
    """
    bare = texts.str.strip_chars().str.replace(_TIME, "")
    return bare if as_written else as_ordinary(bare)


def has_short_year(pattern: str) -> bool:
    """Whether a strptime pattern reads a year of two digits."""
    return any(mark in pattern.replace("%%", "") for mark in ("%y", "%D", "%x"))


def _orders(first: pl.Expr, second: pl.Expr) -> tuple[pl.Expr, pl.Expr, pl.Expr, pl.Expr]:
    """Whether two numbers fit month/day only, day/month only, both for different days, both for the same day."""
    found = (
        second.is_between(13, 31) & first.is_between(1, 12),
        first.is_between(13, 31) & second.is_between(1, 12),
        (first != second) & first.is_between(1, 12) & second.is_between(1, 12),
        (first == second) & first.is_between(1, 12),
    )
    return found[0].fill_null(False), found[1].fill_null(False), found[2].fill_null(False), found[3].fill_null(False)


def _refuse_unsaid(e: DateEvidence, *, column: str, table: str, years_from: int | None, serial: str | None) -> None:
    if serial is None and e.serial and e.serial >= MAX_AGAINST * e.filled:
        dates = e.year_first + e.month_first + e.day_first + e.either + e.same
        none = "" if dates else f"none of {e.filled:,} values is a date that can be read; "
        raise DataError(
            f"{column}: {none}{e.serial:,} of {e.filled:,} values are day numbers of a spreadsheet (as 43831), "
            "which may count from 1900 or from 1904.\n"
            f'  Under [tables.{table}] write serial_dates = "1900" (usual) or serial_dates = "1904" (old Macintosh '
            "files), or choose another column."
        )
    if years_from is None and e.short_year and e.short_year >= MAX_AGAINST * e.filled:
        raise DataError(
            f"{column}: {e.short_year:,} of {e.filled:,} dates have a year of two digits, which is not guessed.\n"
            f"  Under [tables.{table}] write two_digit_years_from = 1950 to read 50 as 1950 and 49 as 2049; if the "
            'order of day and month is not clear, date_format = "%m/%d/%y" (month first) or "%d/%m/%y" (day first).'
        )


def _is_timed(pattern: str | None) -> bool:
    return pattern is not None and any(mark in pattern for mark in ("%H", "%I", "%T", "%R"))


def _by_pattern(text: pl.Expr, form: DateForm, pattern: str) -> pl.Expr:
    is_timed = _is_timed(pattern)
    value = (
        text.str.to_datetime(pattern, strict=False).dt.date() if is_timed else text.str.to_date(pattern, strict=False)
    )
    if form.serial is not None:  # a workbook's own date cells come as ISO 8601, whatever its other cells hold
        value = pl.coalesce(value, _iso(text, r"^(\d{4})-(\d{2})-(\d{2})$", (1, 2, 3)))
    if not has_short_year(pattern) or form.years_from is None:
        return value
    year = _whole_year(value.dt.year() % 100, form.years_from).cast(pl.String)
    return _born_before((year + value.dt.strftime("-%m-%d")).str.to_date("%Y-%m-%d", strict=False), form)


def _by_shape(text: pl.Expr, form: DateForm, *, named: bool) -> pl.Expr:
    """Dates by their shape; with `named` some may have the month by name."""
    value = pl.coalesce(_iso(text, _YEAR_FIRST, (1, 2, 3)), _iso(text, _RUN_TOGETHER, (1, 2, 3)))
    value = pl.coalesce(value, named_date(text)) if named else value
    orders = {"month": (4, 1, 3), "day": (4, 3, 1)}
    long = {name: _iso(text, _YEAR_LAST, order) for name, order in orders.items()}
    value = pl.coalesce(value, _in_order(long, form))
    if form.years_from is None:
        return value
    year = _whole_year(text.str.extract(_SHORT_YEAR, 4).cast(pl.Int32, strict=False), form.years_from).cast(pl.String)
    short = {name: _iso(text, _SHORT_YEAR, order, year) for name, order in orders.items()}
    short_dates = _in_order(short, form)
    if named:
        by_name = named_short_date(text, _whole_year(named_short_year(text), form.years_from))
        short_dates = pl.coalesce(short_dates, by_name)
    return pl.coalesce(value, _born_before(short_dates, form))


def _in_order(dates: dict[str, pl.Expr], form: DateForm) -> pl.Expr:
    settled = pl.when(dates["month"] == dates["day"]).then(dates["month"])
    return {True: dates["month"], False: dates["day"], None: settled}[form.month_first]


def _whole_year(two_digits: pl.Expr, years_from: int) -> pl.Expr:
    return (two_digits - years_from % 100) % 100 + years_from


def _born_before(date: pl.Expr, form: DateForm) -> pl.Expr:
    if form.born_by is None:
        return date
    return pl.when(date > form.born_by).then(date.dt.offset_by("-100y")).otherwise(date)


def _is_filled(text: pl.Expr) -> pl.Expr:
    return (text != "") & ~text.str.to_lowercase().is_in(_MISSING)


def _iso(text: pl.Expr, pattern: str, order: tuple[int, int, int], year: pl.Expr | None = None) -> pl.Expr:
    first, month, day = (text.str.extract(pattern, group) for group in order)
    year = first if year is None else year
    return (year + "-" + month.str.zfill(2) + "-" + day.str.zfill(2)).str.to_date("%Y-%m-%d", strict=False)
