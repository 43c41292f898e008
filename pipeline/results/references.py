"""The method papers that the analysis rests on, each with what it was used for.

Only papers stand in `pipeline/data/references.csv` whose journal, year, volume and first page were found the same in
the paper itself or in two published lists of references; November 2026. What was not checked so is not cited.
"""

from collections.abc import Collection
from dataclasses import dataclass

from pipeline.machine.data_tables import data_rows


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


REFERENCES = tuple(Reference(**row) for row in data_rows("references"))


def used(shown: Collection[str]) -> tuple[Reference, ...]:
    """The papers behind what a run in fact shows (words of `Reference.needs`), then those on reporting."""
    return tuple(r for r in REFERENCES if not r.needs or r.needs in shown)
