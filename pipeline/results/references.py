"""Every source that the program names, written once, and the method papers that a report cites.

`pipeline/data/sources.csv` holds them; modules name them by author and year in square brackets, or after `Sources:`.
Only papers stand in `pipeline/data/references.csv` whose journal, year, volume and first page were found the same in
the paper itself or in two published lists of references; November 2026. What was not checked so is not cited.
"""

import re
from collections.abc import Collection
from dataclasses import dataclass

from pipeline.machine.data_tables import data_rows

SOURCES = {row["source"]: row["text"] for row in data_rows("sources")}


def cited(named: str) -> str:
    """A source in full: `Therneau 2000 (chapters 3 and 7)` gives its text, with the place in it at the end."""
    name, place = re.fullmatch(r"(.*?)( \(.*\))?", named).groups("")  # type: ignore[union-attr]
    return f"{SOURCES[name].removesuffix('.')}{place}."


@dataclass(frozen=True)
class Reference:
    """One paper: how it is cited, what it was used for here, and what must be shown for it to be cited, if anything."""

    text: str
    used_for: str
    needs: str

    def __str__(self) -> str:
        return f"{self.text} Used for: {self.used_for}."

    @property
    def short(self) -> str:
        """Authors and place, without the title."""
        authors, *_, place = self.text.rstrip(".").split(". ")
        return f"{authors}. {place}"


REFERENCES = tuple(Reference(SOURCES[row["source"]], row["used_for"], row["needs"]) for row in data_rows("references"))


def used(shown: Collection[str]) -> tuple[Reference, ...]:
    """The papers behind what a run in fact shows (words of `Reference.needs`), then those on reporting."""
    return tuple(r for r in REFERENCES if not r.needs or r.needs in shown)
