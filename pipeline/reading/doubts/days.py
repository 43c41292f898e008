"""Doubts about which day is meant, about work after the day of the export, and about one file whose days fall on other
weekdays than those of the others: its program counts them from 1904, or puts midnights on the day before."""

import datetime as dt
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.settings import Settings
from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger
from pipeline.reading.doubts.seen import Seen
from pipeline.reading.suggest.shown import quoted
from pipeline.transforms.dates import MAX_AGAINST, NOON, bare_dates, gather_evidence
from pipeline.transforms.other_days import EARLIEST, LATEST, PLACES, days_in_doubt, epoch_as_stamp, utc_minutes

_SOME = 3
_HOURS_OF_A_DAY, _MOST_PLACES = 2, 6
_ENOUGH, _AT_NIGHT = 20, 0.2  # stamps, and share of them at night
_YEAR_AND_MONTH = r"^\d{4}-(\d{2})-\d{2}"
_MONTHS_SEEN = 6
_ISO = r"^\d{4}-(\d{2})-(\d{2})"
_WRITTEN = r"^(\d{1,2})[-/.](\d{1,2})[-/.]\d{2,4}$"
_BARE_ISO = r"^(?:\d{4}-(?:0[1-9]|1[0-2])-\d{2})?$"
_YEAR_LAST = r"^(?:\d{1,2}[-/]\d{1,2}[-/]\d{4})?$"
_STAMP = r"[T ](\d{2}):(\d{2})(?::\d{2}(?:\.\d+)?)?\s*(?:Z|\+00:?00)?$"


def day_doubts(seen: Sequence[Seen], settings: Settings) -> list[Doubt]:
    """All doubts about dates, file by file and field by field."""
    found = []
    for one in seen:
        told = settings.tables[one.table]
        for name, texts in one.days.items():
            pattern = told.date_format or settings.practice.date_format
            if _beyond_doubt(texts, pattern):
                continue
            where = f'{one.table}: {one.file}: column "{one.answers.columns[name]}" ({name})'
            found += swapped(where, one.table, texts) if told.swapped_dates is None else []
            if told.late_stamps is None and settings.practice.time_zone is None:
                found += late_stamps(where, one.table, texts) or other_days(where, one.table, texts)
                found += stamps_at_night(where, one.table, texts)
            if told.months_count_from is None:
                found += months_from_zero(where, one.table, texts)
            found += other_order(where, one.table, texts, pattern)
    return found


def _beyond_doubt(texts: pl.Series, pattern: str) -> bool:
    """Whether all are bare days of one form, and too few against the told order, so that no doubt below can rise:
    looking for each took a sixth of the time of reading many small files."""
    text = pl.col("text").str.strip_chars()
    parts = ((text.str.extract(_WRITTEN, g).cast(pl.Int32) > 12).sum().alias(str(g)) for g in (1, 2))
    forms = {"iso": text.str.contains(_BARE_ISO).all(), "year_last": text.str.contains(_YEAR_LAST).all()}
    iso, year_last, *above_12 = texts.to_frame("text").select(*(e.alias(n) for n, e in forms.items()), *parts).row(0)
    in_order = not _tells_order(pattern) or above_12[pattern.index("%m") > pattern.index("%d")] < _SOME
    return bool(iso or (year_last and in_order))


def _tells_order(pattern: str) -> bool:
    return "%m" in pattern and "%d" in pattern and not pattern.startswith(("%Y", "%y"))


def months_from_zero(where: str, table: str, texts: pl.Series) -> list[Doubt]:
    """Months that a program counts from 0: there is a month 0, and none is the twelfth; `texts` are distinct."""
    months = texts.str.extract(_YEAR_AND_MONTH).drop_nulls().value_counts(name="n")
    counts = dict(months.iter_rows())
    if counts.get("00", 0) < _SOME or "12" in counts or len(counts) < _MONTHS_SEEN:
        return []
    return ask(
        "months_from_zero",
        where,
        f"{counts['00']:,} different days are in a month 0, and none is in a month 12.",
        (f"tables.{table}", 'months_count_from = "zero"', "yes: one is added to each"),
        (f"tables.{table}", 'months_count_from = "one"', "no: days in a month 0 are wrong, and are set aside"),
    )


def swapped(where: str, table: str, texts: pl.Series) -> list[Doubt]:
    """Dates of which a spreadsheet turned those with a day up to 12 about; `texts` are distinct."""
    text = bare_dates(texts).unique()
    cells = text.str.extract(_ISO, 2).cast(pl.Int32, strict=False).drop_nulls()
    parts = (pl.col("text").str.extract(_WRITTEN, g).cast(pl.Int32, strict=False).alias(str(g)) for g in (1, 2))
    both = text.to_frame("text").select(parts).drop_nulls()
    if cells.len() < _SOME or both.height < _SOME or cells.max() > 12:  # type: ignore[operator]
        return []
    if not any((both[g] > 12).all() for g in both.columns):
        return []
    return ask(
        "swapped_dates",
        where,
        f"{count(both.height, 'different date', 'is')} text, all with a day above 12; {cells.len():,} are dates "
        "of a spreadsheet, all with a day of at most 12.",
        (f"tables.{table}", 'swapped_dates = "mend"', "yes: turn day and month of the dates back"),
        (f"tables.{table}", 'swapped_dates = "as_written"', "no: the dates are right as they stand"),
    )


def late_stamps(where: str, table: str, texts: pl.Series) -> list[Doubt]:
    """Stamps at one hour after `NOON`, or at two that a summer time explains; `texts` are distinct."""
    text = epoch_as_stamp(pl.col("text").str.strip_chars())
    hour, minute = text.str.extract(_STAMP, 1).cast(pl.Int32, strict=False), text.str.extract(_STAMP, 2)
    stamp = texts.to_frame("text").select(hour=hour, minute=minute).drop_nulls()
    hours = stamp["hour"].unique().sort().to_list()
    if stamp.height < max(_SOME, 0.9 * texts.len()) or not hours or hours[0] <= NOON or hours[-1] - hours[0] > 1:
        return []
    if (stamp["minute"] != "00").any():
        return []
    at = " or ".join(f"{hour}:00" for hour in hours)
    return ask(
        "late_stamps",
        where,
        f"all {stamp.height:,} different stamps are at {at}.",
        (f"tables.{table}", 'late_stamps = "next_day"', "yes: on the day that begins then"),
        (f"tables.{table}", 'late_stamps = "as_written"', "no: on the day that is written"),
        ("practice", 'time_zone = "Europe/Berlin"', "or the practice's own zone, which finds each day"),
    )


def other_days(where: str, table: str, texts: pl.Series) -> list[Doubt]:
    """Instants told in UTC whose hours are, for some place, hours of work on two days of UTC; `texts` are distinct."""
    minutes, hours = _times(texts)
    if minutes.len() < _SOME or (len(hours) <= _HOURS_OF_A_DAY and (minutes % 60 == 0).all()):
        return []  # a full hour or two: midnight somewhere, see late_stamps
    if (away := days_in_doubt(hours)) is None:
        return []
    first, last = _round_the_clock(sorted(hours))
    evidence = (
        f"{minutes.len():,} different stamps are told in the time of Greenwich (UTC), from {first:02d}:00 round to "
        f"{last:02d}:59. Of a practice far from there a working day has two dates in it."
    )
    return ask("time_zone", where, evidence, *_zones(table, _places(away) or ["America/Los_Angeles"]))


def stamps_at_night(where: str, table: str, texts: pl.Series) -> list[Doubt]:
    """Stamps without a zone, many at hours at which nobody works: told in universal time, it may be."""
    minutes, hours = _times(texts.str.strip_chars() + "Z")
    asleep = sum(n for hour, n in hours.items() if not EARLIEST <= hour < LATEST)
    if minutes.len() < _ENOUGH or asleep < _AT_NIGHT * minutes.len() or (away := days_in_doubt(hours)) is None:
        return []
    first, last = _round_the_clock(sorted(hours))
    return ask(
        "time_zone.night",
        where,
        f"{asleep:,} of {minutes.len():,} different stamps are at night; all are from {first:02d}:00 round to "
        f"{last:02d}:59.",
        (f"tables.{table}", 'late_stamps = "universal"', "yes; and under [practice] the zone of the practice:"),
        *_zones(table, _places(away)),
    )


def _times(texts: pl.Series) -> tuple[pl.Series, dict[int, int]]:
    """The minutes of the day of instants in UTC, but of days without a time, and how many stand in each hour."""
    minutes = utc_minutes(texts)
    minutes = minutes.filter(minutes != 0)
    return minutes, {int(h): int(n) for h, n in (minutes // 60).value_counts(name="n").iter_rows()}


def _places(away: Sequence[int]) -> list[str]:
    """Places so many hours away from UTC."""
    return [PLACES[n] for n in away if n in PLACES][:_MOST_PLACES]


def _zones(table: str, places: Sequence[str]) -> list[tuple[str, str, str]]:
    """The lines that answer where the practice is."""
    cities = (place.rpartition("/")[2].replace("_", " ") for place in places)
    means = [f"if it has the time of {city}" for city in cities]
    means[:1] = [f"{first}; or the name of its own zone, written so" for first in means[:1]]
    return [
        *(("practice", f'time_zone = "{place}"', of) for place, of in zip(places, means, strict=True)),
        (f"tables.{table}", 'late_stamps = "as_written"', "no: the work was done on the day that is written"),
    ]


def _round_the_clock(hours: Sequence[int]) -> tuple[int, int]:
    """The first and the last of some hours of the day, after the longest time without any."""
    pairs = zip(hours, [*hours[1:], hours[0]], strict=True)
    _, last, first = max(((after - before) % 24 or 24, before, after) for before, after in pairs)
    return first, last


def other_order(where: str, table: str, texts: pl.Series, pattern: str) -> list[Doubt]:
    """A told order of day and month that the dates of this file contradict."""
    if not _tells_order(pattern):
        return []
    counts = bare_dates(texts).unique().to_frame("text").with_columns(n=pl.lit(1))
    e = gather_evidence(counts)
    months, days = e.month_first + e.short_month_first, e.day_first + e.short_day_first
    against = days if pattern.index("%m") < pattern.index("%d") else months
    if against < _SOME or against < MAX_AGAINST * 5 * e.filled:
        return []
    means = "with it where both offices stand in one file: the column that says of which a row is"
    return ask(
        "date_order",
        where,
        f'date_format = "{pattern}" is told, and {against:,} of {e.filled:,} different dates fit the other order '
        f"of day and month only ({months:,} month first, {days:,} day first).",
        ("practice", 'date_format = "auto"', "in place of the pattern, here and under the table"),
        (f"tables.{table}", 'date_order_by = "<heading>"', means),
    )


_ISO_IN_TEXT = re.compile(r"(?<!\d)((?:19|20)\d\d)[-_./]?(0[1-9]|1[0-2])[-_./]?([0-2]\d|3[01])(?!\d)")
_WRITTEN_IN_TEXT = re.compile(r"(?<!\d)(\d{1,2})([-./])(\d{1,2})[-./]((?:19|20)\d\d)(?!\d)")
_MOST = 0.5  # of more rows than this the day is that of something else


def day_of_export(above: Iterable[str], file: str) -> dt.date | None:
    """The latest day that the lines above the rows name, in any order that its signs leave; else the file's name."""
    found = [day for line in above for day in _days(line)] or list(_days(Path(file).stem))
    return max(found, default=None)


def _days(text: str) -> Iterable[dt.date]:
    for year, month, day in _ISO_IN_TEXT.findall(text):
        yield from _day(year, month, day)
    for one, mark, other, year in _WRITTEN_IN_TEXT.findall(text):
        day_first = list(_day(year, other, one))
        yield from day_first
        if not (mark == "." and day_first):  # with points the day stands first
            yield from _day(year, one, other)


def _day(year: str, month: str, day: str) -> Iterable[dt.date]:
    try:
        yield dt.date(int(year), int(month), int(day))
    except ValueError:
        return


def after_export(where: str, day: dt.date | None, rows: int, n: int, *, has_status: bool) -> list[Doubt]:
    """Some rows, `n` of those with a day, lie after the day of the export."""
    if day is None or not n or n > _MOST * rows:
        return []
    return ask(
        "after_the_export" if has_status else "after_the_export.no_status",
        where,
        f"{n:,} of {rows:,} rows are work on a day after {day.isoformat()}, which the lines above the rows or the "
        "name of the file give as the day or the end of the export.",
    )


_LEAST, _HARDLY, _WORKED, _SUMMER = 60, 0.01, 0.08, (4, 9)
_NAMES = ("Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays")


def weekday_doubts(seen: Sequence[Seen]) -> list[Doubt]:
    """A question for each file with work on a weekday on which the others have none, that a day's shift would mend."""
    files = [(one.file, _visits(one.held.frame)) for one in seen if one.held is not None]
    every = sum((visits for _, visits in files), Counter[tuple[int, int]]())
    found: list[Doubt] = []
    for file, visits in files if len(files) > 1 else []:
        others = every - sum((of for name, of in files if name == file), Counter[tuple[int, int]]())
        for months, when in (((1, 12), ""), (_SUMMER, " from April to September")):
            own, rest = (_shares(of, *months) for of in (visits, others))
            if not _is_moved(own, rest):
                continue
            more = [_NAMES[d] for d in range(7) if own[d] >= _WORKED / 2 and rest[d] < _HARDLY]
            less = [_NAMES[d] for d in range(7) if rest[d] >= _WORKED and own[d] < _HARDLY]
            key = f"of_file.{quoted(Path(file).name)}"
            means = "with time_zone under [practice], if they are midnights told in universal time"
            found += ask(
                "days_of_one_file",
                f"procedures: {file}",
                f"{when.strip() + ' ' if when else ''}many visits are on {' and '.join(more)} and hardly any on "
                f"{' and '.join(less)}; in the other files it is the other way round.",
                of_ledger(f'{key} = {{ serial_dates = "1904" }}', "if its days are numbers, counted from 1904"),
                of_ledger(f'{key} = {{ late_stamps = "midnights" }}', means),
            )
            break
    return found


def _is_moved(own: Sequence[float], rest: Sequence[float]) -> bool:
    """Whether shares by weekday fit others where they are moved by a day, and do not as they stand."""
    if not own or not rest:
        return False
    # Of two files that do not fit, the one that works on the weekend is in question.
    closed = [d for d in range(7) if rest[d] < _HARDLY]
    if not any(own[d] >= _HARDLY for d in closed if d > 4):
        return False
    strange = sum(own[d] for d in closed)
    moved = [sum(own[(d + by) % 7] for d in closed) for by in (1, -1)]
    less = any(rest[d] >= _WORKED and own[d] < _HARDLY for d in range(7))
    return strange >= _WORKED and less and min(moved) < _HARDLY


def _visits(rows: pl.DataFrame) -> Counter[tuple[int, int]]:
    """Days of a patient by month of the year and weekday, Monday as 1."""
    day, visits = pl.col("day"), rows.select("patient", "day").unique()
    counts = visits.group_by(month=day.dt.month(), weekday=day.dt.weekday()).len()
    return Counter({(month, weekday): n for month, weekday, n in counts.iter_rows()})


def _shares(visits: Counter[tuple[int, int]], first: int, last: int) -> list[float]:
    """The share of each weekday, Monday first, in some months; none where there are few days."""
    of = [sum(visits[month, weekday] for month in range(first, last + 1)) for weekday in range(1, 8)]
    return [n / sum(of) for n in of] if sum(of) >= _LEAST else []
