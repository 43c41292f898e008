"""Days that a dump of a database writes as a text with its form: `TO_DATE('05-03-2019', 'DD-MM-YYYY')`."""

import datetime as dt
import re
from functools import lru_cache

# The longest first. A year of two digits is not among them: its century would be a guess.
_PARTS = {
    "YYYY": "%Y",
    "RRRR": "%Y",
    "MONTH": "%B",
    "MON": "%b",
    "MM": "%m",
    "DD": "%d",
    "HH24": "%H",
    "HH12": "%I",
    "HH": "%I",
    "MI": "%M",
    "SS": "%S",
    "AM": "%p",
    "PM": "%p",
}
_PART = re.compile("|".join(_PARTS) + r"|[\s:/.,T-]|.", re.IGNORECASE)


@lru_cache(maxsize=65536)
def day_in_form(text: str, form: str) -> str | None:
    """Such a day, year first, with its time of day where there is one; None if the form or the text is another."""
    pattern = _pattern(form)
    if pattern is None:
        return None
    try:
        found = dt.datetime.strptime(text.strip(), pattern)  # noqa: DTZ007  (the zone is not told)
    except ValueError:
        return None
    return found.date().isoformat() if found.time() == dt.time() else found.isoformat(sep=" ")


@lru_cache(maxsize=256)
def _pattern(form: str) -> str | None:
    made = []
    for part in _PART.findall(form.strip()):
        if part.upper() in _PARTS:
            made.append(_PARTS[part.upper()])
        elif re.fullmatch(r"[\s:/.,T-]", part):
            made.append(part)
        else:
            return None
    whole = "".join(made)
    return whole if all(whole.count(mark) == 1 for mark in ("%Y", "%d")) else None
