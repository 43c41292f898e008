"""Work on a day after the export was made: it cannot have been done, whatever the row says, so it was scheduled.

The day is that of printing or the end of the period in the lines above the rows, else in the name of the file.
"""

import datetime as dt
import re
from collections.abc import Iterable
from pathlib import Path

from pipeline.reading.doubts.doubt import Doubt, ask

_ISO = re.compile(r"(?<!\d)((?:19|20)\d\d)[-_./]?(0[1-9]|1[0-2])[-_./]?([0-2]\d|3[01])(?!\d)")
_WRITTEN = re.compile(r"(?<!\d)(\d{1,2})([-./])(\d{1,2})[-./]((?:19|20)\d\d)(?!\d)")
_MOST = 0.5  # of more rows than this the day is that of something else


def day_of_export(above: Iterable[str], file: str) -> dt.date | None:
    """The latest day that the lines above the rows name, in any order that its signs leave; else the file's name."""
    found = [day for line in above for day in _days(line)] or list(_days(Path(file).stem))
    return max(found, default=None)


def _days(text: str) -> Iterable[dt.date]:
    for year, month, day in _ISO.findall(text):
        yield from _day(year, month, day)
    for one, mark, other, year in _WRITTEN.findall(text):
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
    more = "" if has_status else " Export the ledger with the status of each row, or without what is only scheduled."
    return ask(
        "after_the_export",
        where,
        f"{n:,} of {rows:,} rows are work on a day after {day.isoformat()}, which the lines above the rows or the "
        "name of the file give as the day or the end of the export.",
        f"Were these only scheduled?{more}",
        so="no: the day says something else, and the work was done",
    )
