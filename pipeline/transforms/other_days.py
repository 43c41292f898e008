"""Days that are written in a way of their own: with the day of the week, in seconds since 1970, by another era, in the
signs of East Asia, or with nothing between the parts.

Each becomes the text of an ordinary date, which `dates` reads. Names of weekdays are those of English, German, French,
Spanish, Portuguese, Dutch and Italian, whole or cut short, and whole those of the languages in
`data/reading_words.csv`. The Buddhist era is 543 years ahead of the common one (as
used in Thailand since 1941, when its year came to begin on 1 January). Japanese eras are those in use since 1926:
Showa, Heisei from 1989, Reiwa from 2019; their year 1 is that of the change (from memory). The years of the Republic of
China are 1911 behind the common ones (from memory). Years of the solar calendar of Iran and Afghanistan begin at the
March equinox; leap years are counted in cycles of 33 years, which agrees with the almanac from 1925 to 2088 (from
memory).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.transforms.month_names import THAI

_WEEKDAYS = (
    "monday|tuesday|wednesday|thursday|friday|saturday|sunday|mon|tues|tue|wed|thurs|thur|thu|fri|sat|sun|"
    "montag|dienstag|mittwoch|donnerstag|freitag|samstag|sonnabend|sonntag|mo|di|mi|do|fr|sa|so|"
    "lundi|mardi|mercredi|jeudi|vendredi|samedi|dimanche|lun|mer|jeu|ven|sam|dim|"
    "lunes|martes|miércoles|miercoles|jueves|viernes|sábado|sabado|domingo|mié|mie|jue|vie|sáb|sab|dom|"
    "segunda|terça|terca|quarta|quinta|sexta|(?:segunda|terça|terca|quarta|quinta|sexta)-feira|seg|ter|qua|qui|sex|"
    "maandag|dinsdag|woensdag|donderdag|vrijdag|zaterdag|zondag|ma|wo|vr|za|zo|"
    "lunedì|lunedi|martedì|martedi|mercoledì|mercoledi|giovedì|giovedi|venerdì|venerdi|domenica|gio|"
    + "|".join(row["words"] for row in data_rows("reading_words") if row["list"] == "weekdays")
)
# `mar` is also March: it is a weekday only before a day, a month and a year.
_BEFORE_DAY = (
    rf"(?i)^(?:{_WEEKDAYS}|mar)\.?,?\s+(?:den\s+|de\s+|le\s+)?"
    r"(\d{1,4}(?:st|nd|rd|th|\.)?[\s./-].*[\s./-]'?\d{1,4})$"
)
_BEFORE_MONTH = rf"(?i)^(?:{_WEEKDAYS})\.?,?\s+(\p{{L}}+\.?\s+\d{{1,2}}(?:st|nd|rd|th)?,?\s+\d{{4}})$"
_BEHIND = rf"(?i)^(\d[\d./-]+\d),?\s+\(?(?:{_WEEKDAYS}|mar)\.?\)?$"
_SIGNS_OF_EAST = r"^(\d{4})\s*[年년]\s*(\d{1,2})\s*[月월]\s*(\d{1,2})\s*[日일号]"
_JAPANESE = r"^(R|H|S|令和|平成|昭和|令|平|昭)\s*(\d{1,2}|元)\s*[年./-]\s*(\d{1,2})\s*[月./-]\s*(\d{1,2})日?$"
# The year before each era's first.
_ERAS = {
    **dict.fromkeys(("R", "令和", "令"), 2018),
    **dict.fromkeys(("H", "平成", "平"), 1988),
    **dict.fromkeys(("S", "昭和", "昭"), 1925),
}
_RUN_TOGETHER_NAMED = r"^(\d{1,2})(\p{L}{3,4})(\d{4}|\d{2})$"
_RUN_TOGETHER_STAMP = (
    r"^((?:19|20)\d{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01]))T?(?:[01]\d|2[0-3])[0-5]\d(?:[0-5]\d)?Z?$"
)
_BY_WEEK = r"^\d{4}-W\d{2}-[1-7]$"
_BY_NUMBER = r"^(?:19|20)\d{2}-[0-3]\d{2}$"  # the year and the day of the year, both as ISO 8601 writes them
# Whatever one of the forms above reads holds a word or a sign of writing, or is a stamp or a number of a day.
_MAY_BE_ONE = r"\p{L}|^\d{12}|^\d{4}-\d{3}$|^\[?\d{4},|^\d{1,4}\.(?:\s|.*\.$)"
# With a point behind the last number too, or blanks behind points, as in Hungarian, Croatian and Czech.
_POINTS = r"^(\d{1,4})\.\s*(\d{1,2})\.\s*(\d{1,4})\.?$"
# Days as some interfaces of programs write them: `/Date(1584144000000-0500)/` in milliseconds, `2019,3,5` as a list.
_IN_CALL = r"^\\?/Date\((-?\d+)(?:[-+]\d{4})?\)\\?/$"
_AS_LIST = r"^\[?\s*((?:19|20)\d{2}),\s*(\d{1,2}),\s*(\d{1,2})(?:,[\s\d,]*)?\]?$"
# Months in Roman numbers, between a year and a day.
_ROMAN = (
    r"(?i)^(?:(\d{4})\.?[\s./-]+([IVX]{1,4})\.?[\s./-]+(\d{1,2})\.?|"
    r"(\d{1,2})\.?[\s./-]*([IVX]{1,4})\.?[\s./-]*(\d{4})\.?)$"
)
_ROMAN_MONTHS = {
    roman: n for n, roman in enumerate(("I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII"), 1)
}
_EPOCH = r"^(\d{{{digits}}})(?:[.,]0+)?$"
# Microseconds and nanoseconds; and ticks of some databases, ten million a second, from the year 1 on.
_FINER = ((16, 1_000_000), (19, 1_000_000_000))
_TICKS, _YEAR_ONE = 10_000_000, 62_135_596_800
# Days of astronomers, which begin at noon; 2440587.5 is the first moment of 1970.
_JULIAN_DAY, _JULIAN_1970 = r"^(24[4-6]\d{4}(?:\.\d+)?)$", 2_440_587.5
_YEAR_AND_DAY = r"^((?:199\d|20[0-3]\d)[0-3]\d{2})$"
# 1990 to 2040, in seconds: numbers of 9 digits would be before, those of 11 long after.
_EPOCHS_FROM, _EPOCHS_TO = 631_152_000, 2_208_988_800
_ERA = r"^(.*?)(2[45]\d{2})(.*)$"
BUDDHIST = 543
_ERA_FROM, _ERA_TO = 1900 + BUDDHIST, 2056 + BUDDHIST
_SOLAR = r"^(1[34]\d{2})[-/.](\d{1,2})[-/.](\d{1,2})$"
_REPUBLIC = r"^([01]\d{2})([-/.]\d{1,2}[-/.]\d{1,2})$"
_REPUBLIC_BEFORE, _REPUBLIC_FROM, _REPUBLIC_TO = 1911, 20, 145
_SOLAR_FROM, _SOLAR_TO = 1304, 1467  # 1925 to 2088
# The number of 1 January 1970 in the count of days that `_solar_number` makes.
_SOLAR_ORIGIN = 1_075_196


def as_ordinary(texts: pl.Series) -> pl.Series:
    """Dates without the day of the week and with signs between their parts; other texts as they are.

    Few columns hold such days, and trying each of the ways on every row costs most of reading: only distinct texts that
    may be one are tried.
    """
    distinct = texts.unique()
    other = distinct.filter(distinct.str.contains(_MAY_BE_ONE)).alias("text")
    if other.is_empty():
        return texts
    return texts.replace(other, other.to_frame().select(in_one_form(without_weekday(pl.col("text")))).to_series())


_SIX = r"^(\d{2})(\d{2})(\d{2})$"
_PARTS = {"%y%m%d": (3, 2), "%d%m%y": (1, 2), "%m%d%y": (2, 1)}  # the groups of day and month
_ENOUGH, _NEARLY_ALL = 20, 0.98


def six_digit_orders(counts: pl.DataFrame) -> list[str]:
    """The patterns that nearly all texts of a column fit as days of six digits, the likelier first: of years there are
    fewer than of days. `counts` has one row per distinct text: `text, n`. Which one is so must be told."""
    texts = counts.select(pl.col("text").str.strip_chars(), "n").filter(pl.col("text") != "")
    if texts.height < _ENOUGH:
        return []
    of = {g: pl.col("text").str.extract(_SIX, g).cast(pl.Int32, strict=False) for g in (1, 2, 3)}
    fits = {
        pattern: (of[day].is_between(1, 31) & of[month].is_between(1, 12)).fill_null(False)
        for pattern, (day, month) in _PARTS.items()
    }
    shares = texts.select((pl.col("n").filter(fit).sum() / pl.col("n").sum()).alias(p) for p, fit in fits.items())
    first, last = texts.select(of[1].n_unique().alias("first"), of[3].n_unique().alias("last")).row(0)
    found = [pattern for pattern in _PARTS if shares[pattern][0] >= _NEARLY_ALL]
    return found if first <= last else [*found[1:], *found[:1]]


def without_weekday(text: pl.Expr) -> pl.Expr:
    """Dates without the day of the week before or behind them; other texts as they are."""
    for pattern in (_BEFORE_DAY, _BEFORE_MONTH, _BEHIND):
        text = text.str.replace(pattern, "${1}")
    return text


def in_one_form(text: pl.Expr) -> pl.Expr:
    """`2022年3月14日`, `令和4年3月14日`, `R4.3.14`, `14MAR2022`, `20220314103000`, `2022-W11-1`, `2022-073`,
    `14.III.2022`, `2022,3,14`, `2022.03.14.` and `14. 3. 2022` as dates with signs between."""
    era = text.str.extract(_JAPANESE, 1).replace_strict(_ERAS, default=None, return_dtype=pl.Int32)
    number = text.str.extract(_JAPANESE, 2).replace("元", "1").cast(pl.Int32, strict=False)
    months, days = (text.str.extract(_JAPANESE, group).str.zfill(2) for group in (3, 4))
    japanese = pl.concat_str((era + number).cast(pl.String), months, days, separator="-")
    text = text.str.replace(_POINTS, "${1}.${2}.${3}").str.replace_many(THAI)
    plain = text.str.replace(_SIGNS_OF_EAST, "${1}-${2}-${3}").str.replace(_RUN_TOGETHER_NAMED, "${1}-${2}-${3}")
    by_week = text.str.extract(_BY_WEEK, 0).str.to_date("%G-W%V-%u", strict=False)
    by_number = text.str.extract(_BY_NUMBER, 0).str.to_date("%Y-%j", strict=False)
    counted = pl.coalesce(by_week, by_number).cast(pl.String)
    roman = pl.concat_str(
        pl.coalesce(text.str.extract(_ROMAN, 1), text.str.extract(_ROMAN, 6)),
        pl.coalesce(text.str.extract(_ROMAN, 2), text.str.extract(_ROMAN, 5))
        .str.to_uppercase()
        .replace_strict(_ROMAN_MONTHS, default=None, return_dtype=pl.Int32)
        .cast(pl.String)
        .str.zfill(2),
        pl.coalesce(text.str.extract(_ROMAN, 3), text.str.extract(_ROMAN, 4)).str.zfill(2),
        separator="-",
    )
    plain = plain.str.replace(_AS_LIST, "${1}-${2}-${3}").str.replace(_IN_CALL, "${1}")
    return pl.coalesce(japanese, counted, roman, plain.str.replace(_RUN_TOGETHER_STAMP, "${1}"))


def epoch_seconds(text: pl.Expr) -> pl.Expr:
    """Seconds since 1970 of texts that are such a number (10 digits) or one of milliseconds (13), microseconds (16) or
    nanoseconds (19), of tenths of microseconds since the year 1 (18), a Julian day (7), or
    the year and the day of the year (2019064), 1990 to 2040."""
    text = text.str.replace(_IN_CALL, "${1}")
    seconds = text.str.extract(_EPOCH.format(digits=10), 1).cast(pl.Int64, strict=False)
    millis = text.str.extract(_EPOCH.format(digits=13), 1).cast(pl.Int64, strict=False) // 1000
    finer = [
        text.str.extract(_EPOCH.format(digits=digits), 1).cast(pl.Int64, strict=False) // per for digits, per in _FINER
    ]
    ticks = text.str.extract(_EPOCH.format(digits=18), 1).cast(pl.Int64, strict=False) // _TICKS - _YEAR_ONE
    julian = ((text.str.extract(_JULIAN_DAY, 1).cast(pl.Float64, strict=False) - _JULIAN_1970) * 86_400).round()
    by_year = text.str.extract(_YEAR_AND_DAY, 1).str.to_date("%Y%j", strict=False).dt.epoch("s")
    found = pl.coalesce(seconds, millis, *finer, ticks, julian.cast(pl.Int64), by_year)
    return pl.when(found.is_between(_EPOCHS_FROM, _EPOCHS_TO)).then(found)


def epoch_as_stamp(text: pl.Expr) -> pl.Expr:
    """Seconds or milliseconds since 1970 as a stamp in UTC; other texts as they are."""
    stamp = pl.from_epoch(epoch_seconds(text), time_unit="s").dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    return pl.coalesce(stamp, text)


def _buddhist(text: pl.Expr) -> pl.Expr:
    """A date with a year of four digits of the Buddhist era, 1900 to 2056 of the common one."""
    year = text.str.extract(_ERA, 2).cast(pl.Int32, strict=False)
    common = pl.concat_str(text.str.extract(_ERA, 1), (year - BUDDHIST).cast(pl.String), text.str.extract(_ERA, 3))
    return pl.when(year.is_between(_ERA_FROM, _ERA_TO) & ~text.str.contains(_JULIAN_DAY)).then(common)


def _solar(text: pl.Expr) -> pl.Expr:
    """`1399/05/12` as 2020-08-02; not a day that its month does not have."""
    year, month, day = (text.str.extract(_SOLAR, group).cast(pl.Int64, strict=False) for group in (1, 2, 3))
    number = _solar_number(year, month, day)
    last = pl.when(month <= 6).then(31).otherwise(30)  # of the twelfth month the year says whether it has 30 days
    is_day = (
        month.is_between(1, 12) & day.is_between(1, last) & (number < _solar_number(year + 1, pl.lit(1), pl.lit(1)))
    )
    is_day &= year.is_between(_SOLAR_FROM, _SOLAR_TO)
    return pl.when(is_day).then((number - _SOLAR_ORIGIN).cast(pl.Int32).cast(pl.Date)).cast(pl.String)


def _solar_number(year: pl.Expr, month: pl.Expr, day: pl.Expr) -> pl.Expr:
    """The number of a day of the solar calendar: six months of 31 days, then such of 30; 8 leap years in 33."""
    years = year + 1595
    leaps = (years // 33) * 8 + (years % 33 + 3) // 4
    before = pl.when(month <= 6).then((month - 1) * 31).otherwise((month - 7) * 30 + 186)
    return years * 365 + leaps + before + day


def _republic(text: pl.Expr) -> pl.Expr:
    year = text.str.extract(_REPUBLIC, 1).cast(pl.Int32, strict=False)
    common = pl.concat_str((year + _REPUBLIC_BEFORE).cast(pl.String), text.str.extract(_REPUBLIC, 2))
    return pl.when(year.is_between(_REPUBLIC_FROM, _REPUBLIC_TO)).then(common)


@dataclass(frozen=True)
class Era:
    """A way to count years: what it is called and how far off, and a text of it as one of ours, null for any other."""

    said: str
    common: Callable[[pl.Expr], pl.Expr]

    def is_one(self, text: pl.Expr) -> pl.Expr:
        """Whether a text is of it."""
        return self.common(text).is_not_null()

    def as_common(self, text: pl.Expr) -> pl.Expr:
        """Texts of it as dates of the common one; other texts as they are."""
        return pl.coalesce(self.common(text), text)


# A column is of an era if all of its values are.
ERAS = {
    "buddhist": Era("the Buddhist era, which are read as 543 years earlier", _buddhist),
    "solar": Era("the solar calendar of Iran, which are read as days of the common one", _solar),
    "republic": Era("the Republic of China, which are read as 1911 years later", _republic),
}


# Hours of the day in which practices work, and the share of the stamps that must lie in them: our own judgement
# (common practice, no source).
EARLIEST, LATEST = 6, 22
_USUAL_MIDDLE = 13
_MATTERS = 0.01
# A place for each distance from Greenwich in hours, as they are in winter.
PLACES = {
    -10: "Pacific/Honolulu", -9: "America/Anchorage", -8: "America/Los_Angeles", -7: "America/Denver",
    -6: "America/Chicago", -5: "America/New_York", -4: "America/Halifax", -3: "America/Sao_Paulo", 0: "Europe/London",
    1: "Europe/Berlin", 2: "Europe/Athens", 3: "Africa/Nairobi", 4: "Asia/Dubai", 5: "Asia/Karachi", 6: "Asia/Dhaka",
    7: "Asia/Bangkok", 8: "Asia/Singapore", 9: "Asia/Tokyo", 10: "Australia/Sydney", 12: "Pacific/Auckland",
}  # fmt: skip
_STAMP = r"^(\d{4}-\d{2}-\d{2})[T ](\d{2}:\d{2}(?::\d{2})?)(?:[.,]\d+)?\s*(Z|UTC|GMT|[+-]\d{2}(?::?\d{2})?)$"
_IN_UTC = r"^(?:Z|UTC|GMT|[+-]00(?::?00)?)$"


def is_zone(name: str) -> bool:
    """Whether a name is one of a time zone, such as America/Los_Angeles."""
    try:
        pl.select(pl.lit(0).cast(pl.Datetime("us")).dt.replace_time_zone("UTC").dt.convert_time_zone(name))
    except pl.exceptions.PolarsError:
        return False
    return True


def as_local(text: pl.Expr, zone: str) -> pl.Expr:
    """Instants with the day that they are in a time zone in place of the written one; other texts as they are."""
    text = epoch_as_stamp(text.str.strip_chars())
    offset = (
        text.str.extract(_STAMP, 3).str.replace(_IN_UTC, "+00:00").str.replace(r"^([+-]\d{2}):?(\d{2})?$", "${1}${2}")
    )
    time = text.str.extract(_STAMP, 2)
    time = pl.when(time.str.len_chars() == 5).then(time + ":00").otherwise(time)
    written = text.str.extract(_STAMP, 1) + "T" + time + offset.str.pad_end(5, "0")
    moment = written.str.to_datetime("%Y-%m-%dT%H:%M:%S%z", strict=False, time_zone="UTC").dt.convert_time_zone(zone)
    day = moment.dt.strftime("%Y-%m-%d")
    return pl.coalesce(day + text.str.slice(10), text)


def utc_minutes(texts: pl.Series) -> pl.Series:
    """The minute of the day of each instant that is told in UTC; other texts have none."""
    text = epoch_as_stamp(pl.col("text").str.strip_chars())
    found = (
        texts.cast(pl.String)
        .to_frame("text")
        .select(
            text.str.extract(_STAMP, 2).str.slice(0, 2).cast(pl.Int32, strict=False).alias("hour"),
            text.str.extract(_STAMP, 2).str.slice(3, 2).cast(pl.Int32, strict=False).alias("minute"),
            text.str.extract(_STAMP, 3).str.contains(_IN_UTC).alias("utc"),
        )
    )
    return found.filter("utc").select(minutes=pl.col("hour") * 60 + pl.col("minute")).drop_nulls()["minutes"]


def days_in_doubt(hours: Mapping[int, int]) -> list[int] | None:
    """The distances from Greenwich, the likeliest first, at which these hours of UTC are hours of work; None where at
    each of them the day that is written is the day there. `hours` has the number of stamps of each hour."""
    total = sum(hours.values())
    if not total:
        return None
    fitting: dict[int, float] = {}
    differs = False
    for away in range(-11, 15):
        local = {hour: (hour + away) % 24 for hour in hours}
        open_then = sum(n for hour, n in hours.items() if EARLIEST <= local[hour] < LATEST)
        if open_then < _NEARLY_ALL * total:
            continue
        fitting[away] = abs(sum(local[h] * n for h, n in hours.items()) / total + 0.5 - _USUAL_MIDDLE)
        elsewhere = sum(n for hour, n in hours.items() if not 0 <= hour + away < 24)
        differs |= elsewhere > _MATTERS * total
    if fitting and not differs:
        return None
    return sorted(fitting, key=lambda away: (fitting[away], away))
