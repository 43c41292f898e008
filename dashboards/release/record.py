"""The record beside each shared file: what was hidden and why, of what it was made, and who looked at it.

It stays in the practice. Its text is plain, so that it can be printed, signed and filed.
"""

import datetime as dt
import hashlib
import re
import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from dashboards.formats import count, plural
from dashboards.release.released import Released, require
from pipeline.release.disclosure import AVERAGE_PERCENT, DOMINANCE_PERCENT, VERY_MANY
from pipeline.results.records import NEW, SAME, WHY_KEPT, Records

SUFFIX = ".record.txt"
STANDING = {
    NEW: "made from the records as they are stored now",
    SAME: "those of the day above: the same records and settings were released then",
    **{how: f"those of the day above: {why}" for how, why in WHY_KEPT.items()},
}
_VERY_MANY = ("One patient has so many teeth that numbers followed are told in steps of twice as many.",)
_WIDE = 78
_NOTE = re.compile(r"^Release\s+([0-9a-f]{16})\s([0-9a-f]{16})$", re.MULTILINE)


@dataclass(frozen=True)
class Standing:
    """Since when the figures stand, and in which of the ways of `STANDING`; no day where none is known.

    `note` is what the release is known by: two words of hexadecimal digits, of the practice and of its figures.
    """

    made_on: dt.date | None = None
    how: str = NEW
    note: str = ""

    def __post_init__(self) -> None:
        if self.how not in STANDING:
            raise ValueError("figures stand in one of the declared ways")


def records(
    shared: Mapping[str, bytes], released: Released, *, of: Records, standing: Standing, day: dt.date | None
) -> dict[str, bytes]:
    """A record for each shared file, by the name that it has beside it."""
    require(released)
    return {
        f"{name}{SUFFIX}": _record(name, content, released, of=of, standing=standing, day=day).encode()
        for name, content in shared.items()
    }


def release_noted(record: str) -> str | None:
    """The note of the release in a record; None where there is none."""
    found = _NOTE.search(record)
    return found and f"{found[1]} {found[2]}"


def _record(
    name: str, content: bytes, released: Released, *, of: Records, standing: Standing, day: dt.date | None
) -> str:
    methods = released.methods
    parts = [
        f"RECORD OF A SHARED FILE\n{name}",
        "For the practice's own files. Do not pass it on with the file.",
        _lines(
            ("SHA-256", hashlib.sha256(content).hexdigest()),
            ("File made on", _written(day)),
            ("Figures made on", _written(standing.made_on or day)),
            ("These figures are", STANDING[standing.how]),
            *((("Release", standing.note),) if standing.note else ()),
            ("Practice named", "yes" if released.practice else "no"),
            ("Programs", ", ".join(f"{k} {v}" for k, v in methods.versions) or "not known"),
        ),
        "WHAT WAS WITHHELD, AND WHY",
        _withheld(released) or "Nothing.",
        "ONE PATIENT, ONE CLINICIAN",
        _bullets((
            f"One patient has {count(of.teeth_of_one, 'crown')} or as many root canals, and "
            f"{count(of.failures_of_one, 'failure')} or crowns opened, at most. By the (1, {DOMINANCE_PERCENT}) "
            f"dominance rule no count is told of which that could be more than {DOMINANCE_PERCENT} %: "
            f"under {2 * of.teeth_of_one} {plural(2, 'tooth')}, under {2 * of.failures_of_one} failures; and a curve "
            "changes only after as many failures.",
            f"Success rates, other shares of teeth and Table 1 are told only of groups of which one patient is at most "
            f"{AVERAGE_PERCENT} %: means and shares of few patients tell what one of them is.",
            *(_VERY_MANY if of.teeth_of_one >= VERY_MANY else ()),
            f"A table by clinician or clinic is told only for three or more of them, with {DOMINANCE_PERCENT} % of the "
            "teeth at most at any one. Who knows how much each one works may still know a letter: look at that table.",
        )),
        "SETTINGS",
        _bullets(f"{name} = {value}" for name, value in (*released.rules, *methods.analysis)) or "None.",
        "BEFORE IT IS SHARED",
        _bullets((
            "Read the file once as somebody who knows this practice and one of its patients.",
            "Whoever gets it can keep it beside every other file of this practice. Files that this program no longer "
            "knows of, since what remembers them was lost or begun anew, may show with it what became of a few teeth.",
            "This record says what the program did. Whether the file may be shared is for the practice to judge.",
        )),
        "Looked at by: ______________________________    on: ____________________\n\n"
        "May be shared with: ________________________    signed: ________________",
    ]  # fmt: skip
    return "\n\n".join(parts) + "\n"


def _withheld(released: Released) -> str:
    places = dict.fromkeys(place for place, _, _ in released.withheld)
    return "\n".join(
        f"{place or 'Elsewhere'}\n" + _bullets(f"{n} x {why}" for p, why, n in released.withheld if p == place)
        for place in places
    )


def _lines(*rows: tuple[str, str]) -> str:
    return "\n".join(
        textwrap.fill(f"{name:<20}{value}", _WIDE, subsequent_indent=" " * 20, break_long_words=False)
        for name, value in rows
    )


def _bullets(texts: Iterable[str]) -> str:
    return "\n".join(textwrap.fill(f"- {t}", _WIDE, subsequent_indent="  ", break_long_words=False) for t in texts)


def _written(day: dt.date | None) -> str:
    return f"{day.day} {day:%B %Y}" if day else "not noted"
