"""Stamps that are instants, told in UTC or as seconds since 1970, and the day that they are where the practice is.

A working day of a practice west or east of Greenwich may lie in two days of UTC. Whether it can is told from the hours
alone: by each distance from Greenwich at which they are hours of work, is the day the one that is written?
"""

from collections.abc import Mapping

import polars as pl

from pipeline.transforms.other_days import epoch_as_stamp

# Hours of the day in which practices work, and the share of the stamps that must lie in them: our own judgement
# (common practice, no source).
EARLIEST, LATEST = 6, 22
_USUAL_MIDDLE = 13
_NEARLY_ALL, _MATTERS = 0.98, 0.01
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
