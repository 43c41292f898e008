"""Dates as written, and the decision which form a column has.

Day and month are never guessed. A column whose values do not settle the order is refused, with the counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.errors import DataError

FIRST_DAY = pl.date(1900, 1, 1)
# Share of the deciding values below which those against the order are taken for slips of the pen.
MAX_AGAINST = 0.01

_YEAR_FIRST = r"^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})$"
_RUN_TOGETHER = r"^((?:1[89]|2[01])\d{2})(\d{2})(\d{2})$"
_YEAR_LAST = r"^(\d{1,2})([-/.])(\d{1,2})[-/.](\d{4})$"
_SHORT_YEAR = r"^\d{1,2}[-/.]\d{1,2}[-/.]\d{2}$"
_TIME = r"[T\s]+\d{1,2}:\d{2}.*$"
_MISSING = ("null", "n/a", "nan", "nat", "none", "0000-00-00", "00/00/0000", "0")


@dataclass(frozen=True)
class DateForm:
    """How the dates of one column are read.

    `pattern` is a strptime pattern; without it dates are read with the year first or, where it comes last, in the
    order of `month_first` (None: only where day and month are equal).
    """

    month_first: bool | None = None
    pattern: str | None = None


@dataclass(frozen=True)
class DateEvidence:
    """What the values of one column say about its form, in rows."""

    filled: int
    year_first: int
    month_first: int  # fits month/day only
    day_first: int  # fits day/month only
    either: int  # fits both, for different days
    same: int  # day and month are equal
    short_year: int
    separator: str


def gather_evidence(counts: pl.DataFrame) -> DateEvidence:
    """Count the forms of a column's values; `counts` has one row per distinct text: `text, n`."""
    text = date_part(pl.col("text"))
    first, second = (text.str.extract(_YEAR_LAST, g).cast(pl.Int32) for g in (1, 3))
    shapes = counts.filter(_is_filled(pl.col("text"))).select(
        "n",
        (text.str.contains(_YEAR_FIRST) | text.str.contains(_RUN_TOGETHER)).alias("year_first"),
        (second.is_between(13, 31) & first.is_between(1, 12)).fill_null(False).alias("month_first"),
        (first.is_between(13, 31) & second.is_between(1, 12)).fill_null(False).alias("day_first"),
        ((first != second) & first.is_between(1, 12) & second.is_between(1, 12)).fill_null(False).alias("either"),
        ((first == second) & first.is_between(1, 12)).fill_null(False).alias("same"),
        text.str.contains(_SHORT_YEAR).alias("short_year"),
        text.str.extract(_YEAR_LAST, 2).alias("separator"),
    )
    kinds = ("year_first", "month_first", "day_first", "either", "same", "short_year")
    rows = {k: int(shapes.filter(pl.col(k))["n"].sum()) for k in kinds}
    common = shapes.drop_nulls("separator").group_by("separator").agg(pl.col("n").sum()).sort("n", "separator")
    return DateEvidence(
        filled=int(shapes["n"].sum()), **rows, separator=common["separator"][-1] if common.height else "/"
    )


def decide_form(evidence: DateEvidence, *, column: str, table: str) -> DateForm:
    """The form of a column under `date_format = "auto"`.

    `column` names file, heading and field in the message. The order of day and month follows the values that fit one
    order only. Where both orders have such values, the majority rules only if the others are below 1 % of them: those
    then cannot be read and are set aside.

    Raises
    ------
    DataError
        If two orders fit, both have evidence, years have two digits, or nothing in the column is a date.
    """
    e, s = evidence, evidence.separator
    deciding = e.month_first + e.day_first
    write = f"under [tables.{table}] write date_format ="
    both = f'{write} "%m{s}%d{s}%Y" if the month comes first, or "%d{s}%m{s}%Y" if the day does.'
    if e.short_year and e.short_year >= MAX_AGAINST * e.filled:
        raise DataError(
            f"{column}: {e.short_year:,} of {e.filled:,} dates have a year of two digits, which is not guessed.\n"
            f'  If these are right, {write} "%m/%d/%y" (month first) or "%d/%m/%y" (day first).'
        )
    if e.filled and not e.year_first + deciding + e.either + e.same:
        raise DataError(
            f"{column}: none of {e.filled:,} values is a date that can be read.\n"
            f'  Choose another column, or {write} with the pattern of these dates, e.g. "%d %b %Y" for 5 Mar 2020.'
        )
    if not deciding:
        if e.either and e.either >= MAX_AGAINST * e.filled:
            raise DataError(
                f"{column}: {e.either:,} of {e.filled:,} dates fit both month/day and day/month, and no date decides.\n"
                f"  To settle it, {both}"
            )
        return DateForm()
    if min(e.month_first, e.day_first) >= MAX_AGAINST * deciding:
        raise DataError(
            f"{column}: {e.month_first:,} dates fit month/day only and {e.day_first:,} fit day/month only.\n"
            f"  Split the file, or {both}\n  Dates that do not fit are then set aside."
        )
    return DateForm(month_first=e.month_first > e.day_first)


def parse_dates(texts: pl.Series, form: DateForm) -> pl.DataFrame:
    """Read written dates; a time of day behind the date is dropped.

    One row per text: `text`; `value`, the date or null; `note`, `unreadable` where there is text that is no date of
    this form, else null. Words for nothing (null, n/a, 0000-00-00) are read as missing.
    """
    text = date_part(pl.col("text"))
    if form.pattern is not None:
        timed = any(mark in form.pattern for mark in ("%H", "%I", "%T", "%R"))
        whole = pl.col("text").str.strip_chars()
        value = (
            whole.str.to_datetime(form.pattern, strict=False).dt.date()
            if timed
            else text.str.to_date(form.pattern, strict=False)
        )
    else:
        value = pl.coalesce(_iso(text, _YEAR_FIRST, (1, 2, 3)), _iso(text, _RUN_TOGETHER, (1, 2, 3)))
        month_first, day_first = _iso(text, _YEAR_LAST, (4, 1, 3)), _iso(text, _YEAR_LAST, (4, 3, 1))
        settled = pl.when(month_first == day_first).then(month_first)
        year_last = {True: month_first, False: day_first, None: settled}[form.month_first]
        value = pl.coalesce(value, year_last)
    filled = _is_filled(pl.col("text"))
    return (
        pl.DataFrame({"text": texts}, schema={"text": pl.String()})
        .with_columns(pl.when(filled).then(value).alias("value"))
        .with_columns(pl.when(filled & pl.col("value").is_null()).then(pl.lit("unreadable")).alias("note"))
    )


def date_part(text: pl.Expr) -> pl.Expr:
    """A written date without the time of day behind it."""
    return text.str.strip_chars().str.replace(_TIME, "")


def _is_filled(text: pl.Expr) -> pl.Expr:
    bare = date_part(text)
    return bare.is_not_null() & (bare != "") & ~bare.str.to_lowercase().is_in(_MISSING)


def _iso(text: pl.Expr, pattern: str, order: tuple[int, int, int]) -> pl.Expr:
    year, month, day = (text.str.extract(pattern, group) for group in order)
    return (year + "-" + month.str.zfill(2) + "-" + day.str.zfill(2)).str.to_date("%Y-%m-%d", strict=False)
