"""Relations between two whole runs: a practice, and the same practice changed so that its figures are foretold.

Every figure of both runs is compared. The ordinary form changes many things at once in a practice of 800 crowns, the
slow one each by itself in one of 4,000. The practice is Alder Row Dental, invented.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import polars as pl
import pytest
from changes import (
    Opening,
    beside,
    exports_of,
    opened_at_the_seat,
    stranger,
    stranger_names,
    without_extra_teeth,
)
from figures import Json, changed, gaps, leaves
from merging import unlike_sums
from practice_files import Practice, read_practice, run_practice
from relations import BY_NAME, NEAR, RELATIONS, Relation, adds_up, named, together

from pipeline.practice.pseudonyms import Pseudonyms, crosswalk
from pipeline.practice.tables import CROWNS, ENDO_COURSES
from pipeline.practice.teeth import write_teeth
from pipeline.results import DAYS_PER_YEAR
from pipeline.storing.store import open_store
from synthetic_data.generate import simulate

# Recounted in all other ways too, in the slow form: one whose rows move, one whose names do, one whose days do.
RECOUNTED = ("rows shuffled", "patients renamed", "28 years later", "voided rows")


BEFORE = "the practice"


@dataclass
class Runs:
    """A practice of one size and its runs; runs are made when first asked for, and kept."""

    practice: Practice
    folder: Path
    kept: dict[str, Json] = field(default_factory=dict)

    def run(self, practice: Practice, name: str, *, recounts: bool = False) -> Json:
        """The figures of a run, and what its own accounting must say."""
        name += " and recounted" * recounts
        if name not in self.kept:
            found = run_practice(practice, self.folder / name, recounts=recounts)
            assert adds_up(found) == [], name
            self.kept[name] = found
        return self.kept[name]

    def check(self, relation: Relation, practice: Practice | None = None, *, recounts: bool = False) -> None:
        """Run before and after, and compare."""
        before = practice or self.practice
        figures = self.run(before, relation.name if practice else BEFORE, recounts=recounts)
        after = run_practice(relation.change(before), self.folder / "after" / relation.name, recounts=recounts)
        assert adds_up(after) == []
        broken = relation.broken(figures, after, before)
        assert not broken, "\n".join([f"{len(broken)} figures differ", *map(str, broken[:4000])])
        assert relation.idle(figures) == []


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Runs]:
    """Practices by their number of crowns, the years that an export holds, and the seed."""
    found: dict[tuple[int, int, int], Runs] = {}

    def practice(crowns: int, years: int, seed: int = 3) -> Runs:
        if (crowns, years, seed) not in found:
            folder = tmp_path_factory.mktemp("a practice")
            read = read_practice(simulate(folder / "simulated", crowns=crowns, seed=seed))
            found[crowns, years, seed] = Runs(exports_of(years)(read), folder)
        return found[crowns, years, seed]

    return practice


@pytest.fixture
def small(made: Callable[..., Runs]) -> Runs:
    return made(800, 5)


@pytest.fixture
def large(made: Callable[..., Runs]) -> Runs:
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


NO_NAME = together(
    "other names of patients, under another key, in other rows",
    *(BY_NAME[name] for name in ("patients renamed", "another key of the pseudonyms", "rows shuffled")),
)


@pytest.mark.thorough
@pytest.mark.parametrize("crowns", [250, pytest.param(1500, marks=pytest.mark.slow)])
def test_no_figure_hangs_on_a_name_or_a_key(made: Callable[..., Runs], crowns: int):
    """To the last bit; where the other ways to count are tried on a sample, too, for it is no other one."""
    runs = made(crowns, 5)
    practice = runs.practice.with_setting("analysis", choices_crowns=crowns // 2)
    assert not NO_NAME.near
    runs.check(NO_NAME, practice, recounts=crowns > 1000)
    assert len(list(leaves(runs.kept[NO_NAME.name + " and recounted" * (crowns > 1000)]))) > 20_000


@pytest.mark.thorough
def test_many_changes_at_once(small: Runs):
    small.check(ALL_AT_ONCE)


@pytest.mark.thorough
def test_no_figure_escapes_the_comparison(small: Runs):
    """Were any one of them another, by the last bit of a number or a letter of a text, it would be told."""
    figures = small.run(small.practice, BEFORE)
    planted = changed(figures, other_figure)
    told = [gap.path for gap in gaps(figures, planted)]
    assert told == [path for path, value in leaves(figures) if value not in ([], {})]
    assert len(told) > 20_000
    # Within the slack for sums in another order, texts and counts are told all the same, and numbers beyond it.
    numbers = [path for path, value in leaves(figures) if isinstance(value, float)]
    others = set(told) - set(numbers)
    assert [gap.path for gap in gaps(figures, planted, near=NEAR)] == [path for path in told if path in others]
    beyond = changed(figures, lambda v: v * (1 + 3 * NEAR) + 1e-11 if isinstance(v, float) else v)
    assert [gap.path for gap in gaps(figures, beyond, near=NEAR)] == numbers
    for name, broken in (("fees in another currency", planted), ("teeth mirrored", beyond)):
        found = BY_NAME[name].broken(figures, broken, small.practice)
        assert len(found) > 0.9 * len(told if broken is planted else numbers)


def other_figure(value: Json) -> Json:
    """The least that can be wrong with a figure."""
    if value is None:
        return 0
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    return math.nextafter(value, math.inf) if isinstance(value, float) else f"{value}."


@pytest.mark.slow
@pytest.mark.parametrize("relation", RELATIONS, ids=lambda r: r.name)
def test_each_change_by_itself(large: Runs, relation: Relation):
    practice = None
    if relation.name == "patients renamed in their order":  # pseudonyms have an order of their own
        practice = replace(large.practice, keep_ids=True)
    if relation.name == "teeth in Palmer's notation":
        practice = without_extra_teeth(large.practice)
    large.check(relation, practice, recounts=relation.name in RECOUNTED)


def openings(practice: Practice, database: Path) -> list[Opening]:
    """The root canals that this practice did through its crowns, as its linked tables tell them."""
    with open_store(database, read_only=True) as store:
        crowns, courses = store.read(CROWNS), store.read(ENDO_COURSES)
    ids = crosswalk(practice.texts("procedures", "patient_id"), Pseudonyms(bytes.fromhex(practice.key)))
    opened = crowns.filter(
        pl.col("endo_timing") == "through_crown", pl.col("access_elsewhere").not_(), pl.col("seat_date").is_not_null()
    )
    vital = pl.col("access_date") - pl.max_horizontal("entry_date", pl.col("seat_date").dt.offset_by("1d"))
    is_counted = (pl.col("crown_kind") == "single") & pl.col("done_elsewhere").not_()
    rows = opened.join(courses.select("course_id", "completed"), on="course_id", how="left").join(ids, on="patient_id")
    rows = rows.select(
        patient="written_id",
        tooth=write_teeth(rows["tooth_fdi"], notation="universal"),
        seat="seat_date",
        on="access_date",
        until=pl.max_horizontal("completed", "access_date"),
        moved_days=pl.when(is_counted).then(vital.dt.total_days().clip(lower_bound=0)).otherwise(0),
    )
    return [Opening(**row) for row in rows.iter_rows(named=True)]


@pytest.mark.parametrize(
    "size", [pytest.param("small", marks=pytest.mark.thorough), pytest.param("large", marks=pytest.mark.slow)]
)
def test_openings_counted_from_the_seat_give_the_naive_answer(size: str, request: pytest.FixtureRequest):
    runs: Runs = request.getfixturevalue(size)
    before = runs.run(runs.practice, BEFORE)["comparisons"][0]
    moves = openings(runs.practice, runs.folder / BEFORE / "practice.duckdb")
    assert len(moves) > 40
    after = runs.run(opened_at_the_seat(runs.practice, moves), "opened at the seat")["comparisons"][0]
    was, now = ({g["name"]: g for g in found["groups"]} for found in (before, after))
    # Who is in which group, and who fails, stays as it was, and so does what one would count by hand from the seat.
    for name in was:
        assert [was[name][k] for k in COUNTED] == [now[name][k] for k in COUNTED], name
    assert not gaps(before["naive"], after["naive"], near=NEAR)
    # Before its opening a crown counts as vital: those years, no more and no fewer, change sides.
    years = sum(move.moved_days for move in moves) / DAYS_PER_YEAR
    assert years > 100
    assert was["vital"]["tooth_years"] - now["vital"]["tooth_years"] == pytest.approx(years, rel=NEAR)
    assert now["through_crown"]["tooth_years"] - was["through_crown"]["tooth_years"] == pytest.approx(years, rel=NEAR)
    assert not gaps(was["before_seat"], now["before_seat"], near=NEAR)
    # The answer becomes the naive one, and that is another one: the ratio goes four fifths of the way at least. The
    # rest is that the model that answers has vital crowns in its risk sets too, and that openings by others stay where
    # they were; these alone part the share of opened crowns that are in place from the naive share.
    true, moved = (math.log(found["estimates"][0]["hazard_ratio"]) for found in (before, after))
    naive = math.log(before["naive"]["hazard_ratio"])
    assert before["estimates"][0]["contrast"] == before["naive"]["contrast"] == "through_crown vs before_seat"
    assert true - naive > 0.3
    assert abs(moved - naive) < (true - naive) / 5
    shares = {row["name"]: row["estimate"] for row in before["naive"]["survival"]}
    horizon = [m["estimate"] for m in now["through_crown"]["survival"] if m["years"] == before["horizon_years"]]
    assert horizon == [pytest.approx(shares["through_crown"], abs=0.01)]
    for key in ("difference", "crude_difference"):
        assert after[key]["per_100"] < before[key]["per_100"] - 2


COUNTED = ("crowns", "patients", "failures")


@pytest.mark.thorough
def test_a_practice_twice_over_counts_twice_and_finds_the_same(small: Runs):
    one = small.run(small.practice, BEFORE)
    other = named(stranger_names)(one, small.practice, small.practice)
    both = small.run(beside(small.practice, stranger(small.practice)), "twice over")
    held, unlike = unlike_sums(one, other, both)
    assert held > 2000
    assert not unlike, "\n".join(map(str, unlike[:40]))
    for single, double in zip(one["comparisons"], both["comparisons"], strict=True):
        for group, twice in zip(single["groups"], double["groups"], strict=True):
            alike = {m["years"]: m["estimate"] for m in twice["survival"]}
            for point in group["survival"] if group["starts_at_days"] == twice["starts_at_days"] else ():
                assert alike[point["years"]] == pytest.approx(point["estimate"], rel=NEAR), group["name"]


@pytest.mark.slow
def test_two_practices_as_one(large: Runs, made: Callable[..., Runs]):
    second = made(3200, 1, seed=4)
    other = stranger(second.practice)
    figures = [large.run(large.practice, BEFORE), second.run(other, "other names")]
    both = large.run(beside(large.practice, other), "two practices")
    held, unlike = unlike_sums(*figures, both)
    assert held > 3000
    assert not unlike, "\n".join(map(str, unlike[:40]))
