"""Relations between two whole runs: a practice, and the same practice changed so that its figures are foretold.

Every figure of both runs is compared. The ordinary form changes many things at once in a practice of 900 crowns, the
slow one each by itself in one of 4,000. The practice is Alder Row Dental, invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from changes import exports_of, without_extra_teeth
from figures import Json
from practice_files import Practice, read_practice, run_practice
from relations import BY_NAME, RELATIONS, Relation, adds_up, together

from synthetic_data.generate import simulate

# Recounted in all other ways too, in the slow form: one whose rows move, one whose names do, one whose days do.
RECOUNTED = ("rows shuffled", "patients renamed", "28 years later", "voided rows")


@dataclass
class Runs:
    """A practice of one size and its runs; runs are made when first asked for, and kept."""

    practice: Practice
    folder: Path
    kept: dict[str, Json] = field(default_factory=dict)

    def run(self, practice: Practice, name: str, *, recounts: bool = False) -> Json:
        """The figures of a run, and what its own accounting must say."""
        if name not in self.kept:
            found = run_practice(practice, self.folder / name, recounts=recounts)
            assert adds_up(found) == [], name
            self.kept[name] = found
        return self.kept[name]

    def check(self, relation: Relation, practice: Practice | None = None, *, recounts: bool = False) -> None:
        """Run before and after, and compare."""
        before = practice or self.practice
        kind = f"before, ids kept {before.keep_ids}, recounts {recounts}, notation {practice is not None}"
        figures = self.run(before, kind, recounts=recounts)
        after = run_practice(relation.change(before), self.folder / relation.name, recounts=recounts)
        assert adds_up(after) == []
        broken = relation.broken(figures, after, before)
        assert not broken, "\n".join([f"{len(broken)} figures differ", *map(str, broken[:40])])
        assert relation.idle(figures) == []


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Callable[[int, int], Runs]:
    """Practices by their number of crowns and the years that an export holds."""
    found: dict[tuple[int, int], Runs] = {}

    def practice(crowns: int, years: int) -> Runs:
        if (crowns, years) not in found:
            folder = tmp_path_factory.mktemp("a practice")
            read = read_practice(simulate(folder / "simulated", crowns=crowns, seed=3))
            found[crowns, years] = Runs(exports_of(years)(read), folder)
        return found[crowns, years]

    return practice


@pytest.fixture
def small(made: Callable[[int, int], Runs]) -> Runs:
    return made(900, 5)


@pytest.fixture
def large(made: Callable[[int, int], Runs]) -> Runs:
    return made(4000, 1)


# Rows are added first, as the practice writes them; what comes later changes them with all others.
ALL_AT_ONCE = together(
    "all at once",
    *(
        BY_NAME[name]
        for name in (
            "patients who have no such tooth",
            "rows of other codes",
            "voided rows",
            "rows posted and taken back",
            "rows after the data cut-off",
            "fees in another currency",
            "clinics renamed",
            "clinicians renamed",
            "patients renamed",
            "another key of the pseudonyms",
            "entries renumbered",
            "teeth mirrored",
            "teeth in two digits",
            "28 years later",
            "two exports that overlap",
            "rows shuffled",
            "columns in another order, and more of them",
            "other delimiters, line ends and encodings",
        )
    ),
)


def test_many_changes_at_once(small: Runs):
    small.check(ALL_AT_ONCE)


@pytest.mark.slow
@pytest.mark.parametrize("relation", RELATIONS, ids=lambda r: r.name)
def test_each_change_by_itself(large: Runs, relation: Relation):
    practice = None
    if relation.name == "patients renamed in their order":  # pseudonyms have an order of their own
        practice = replace(large.practice, keep_ids=True)
    if relation.name == "teeth in Palmer's notation":
        practice = without_extra_teeth(large.practice)
    large.check(relation, practice, recounts=relation.name in RECOUNTED)
