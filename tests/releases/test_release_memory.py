"""The memory of releases: same records, near records, other records; and what is kept of them."""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
import itertools
import json
import re
import shutil
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

import polars as pl
import pytest

from pipeline.machine.errors import DataError
from pipeline.practice.pseudonyms import NOTHING_SHARED, load_or_make_key
from pipeline.practice.tables import CROWNS
from pipeline.release.disclosure import Rounding
from pipeline.release.memory import PAGES, POOLING, ROUNDINGS, Remembered, records_of, remembered
from pipeline.release.memory_file import Memory, memory_path, read_memory
from pipeline.results import Counts, Quality, Results
from pipeline.results.records import FEW, NEAR, NEW, OFTEN, SAME, SET, Records
from pipeline.storing.facts import TELLING
from pipeline.storing.store import Store, open_store

DAY = dt.date(2026, 11, 1)


_FALSE = {n: False for n, c in CROWNS.columns.items() if c.dtype == pl.Boolean() and not c.nullable}
_EMPTY = dict.fromkeys(CROWNS.columns) | _FALSE | dict.fromkeys(
    ("access_elsewhere", "order_uncertain", "failure", "failure_elsewhere", "remake_no_fee", "done_elsewhere"), False
)  # fmt: skip


def crowns(patients: range, *, late: Iterable[int] = (), failed: Iterable[int] = ()) -> pl.DataFrame:
    """One crown a patient; those of `late` were followed a day longer, those of `failed` to a removal."""
    return _crowns(patients, frozenset(late), frozenset(failed))


@functools.cache
def _crowns(patients: range, late: frozenset[int], failed: frozenset[int]) -> pl.DataFrame:
    rows = [
        _EMPTY | {
            "crown_id": f"c{i}", "patient_id": f"p{i:04d}", "tooth_fdi": 16, "tooth_group": "molar",
            "crown_kind": "single", "seat_date": dt.date(2015, 1, 1), "entry_date": dt.date(2015, 1, 1),
            "exit_date": dt.date(2020, 1, 1) + dt.timedelta(10 * i + (i in late)), "failure": i in failed,
            "exit_reason": "failed" if i in failed else "last_contact",
            "failure_cause": "removed" if i in failed else None,
        }
        for i in patients
    ]  # fmt: skip
    return pl.DataFrame(rows, schema={n: c.dtype for n, c in CROWNS.columns.items()}, orient="row")


def results(**analysis: str) -> Results:
    return Results("", "2010-01-01", "2024-12-31", Counts(0, 0, 0, 0, 0, 0), (), (), Quality(), (), {}, analysis, {})


class Practice:
    """A store to share from; what it shares is numbered, so that it is told which figures came.

    `held` keeps the store open from one release to the next, as long as its file is there: to open it takes as long as
    to share. The figures of most tests hang on no record, so that these are read once, by what is tested.
    """

    def __init__(self, folder: Path, held: ExitStack | None = None) -> None:
        self.path, self.key, self.made, self.rounded_by = folder / "p.duckdb", folder / "p.key", 0, ""
        self.held, self.store = held, None
        self.key.write_text("a key")

    @contextmanager
    def opened(self) -> Iterator[Store]:
        if self.held is None:
            with open_store(self.path) as store:
                yield store
            return
        if self.store is None or not self.path.exists() or self.store.path != self.path:
            self.held.close()
            self.store = self.held.enter_context(open_store(self.path))
        yield self.store

    def share(
        self,
        rows: pl.DataFrame,
        kind: str = PAGES,
        *,
        day: dt.date = DAY,
        of: Results | None = None,
        unreadable: str = "",
        few_between: Callable[[Sequence[tuple[str, str]]], bool] = lambda _: False,
        seen: Iterable[str] = (),
        figures: Callable[[Results], str] | None = None,
    ) -> Remembered:
        def make(told: Results) -> str:
            self.made += 1
            self.rounded_by = told.records.rounded_by
            return figures(told) if figures else f"figures {self.made}"

        with self.opened() as store, store.transaction():
            store.replace(CROWNS, rows)
            found = dataclasses.replace(of or results(), records=records_of(store) if figures else Records())
            return remembered(
                store, found, kind=kind, key=self.key, today=day, make=make,
                readable=lambda text: text != unreadable, few_between=few_between, seen=seen,
            )  # fmt: skip

    @property
    def memory(self) -> Memory:
        return read_memory(memory_path(self.key))


@pytest.fixture
def practice(tmp_path: Path) -> Iterator[Practice]:
    with ExitStack() as held:
        yield Practice(tmp_path, held)


def test_the_same_records_give_the_same_figures_in_whatever_order_they_lie(practice: Practice) -> None:
    assert practice.share(crowns(range(100))) == Remembered("figures 1", DAY, NEW)
    later = DAY + dt.timedelta(30)
    renumbered = crowns(range(100)).reverse().with_columns(crown_id=pl.col("crown_id") + "x")
    assert practice.share(renumbered, day=later) == Remembered("figures 1", DAY, SAME)


@pytest.mark.parametrize(("more", "standing"), [(1, NEAR), (10, NEAR), (11, NEW)])
def test_records_that_differ_by_fewer_than_eleven_give_the_earlier_figures(
    practice: Practice, more: int, standing: str
) -> None:
    practice.share(crowns(range(100)))
    assert practice.share(crowns(range(100 + more))).standing == standing
    assert practice.share(crowns(range(more, 100))).standing == (standing if more < 11 else NEW)


@pytest.mark.parametrize(("changed", "standing"), [(10, NEAR), (11, NEW)])
def test_a_patient_of_whom_a_day_changed_is_another(practice: Practice, changed: int, standing: str) -> None:
    practice.share(crowns(range(100)))
    assert practice.share(crowns(range(100), late=range(changed))).standing == standing


def test_some_gone_and_as_many_come_count_once(practice: Practice) -> None:
    """By how many patients records differ is never taken for more than it is: 10 gone and 10 others come may be 10."""
    practice.share(crowns(range(100)))
    assert practice.share(crowns(range(10, 110))).standing == NEAR
    assert practice.share(crowns(range(11, 111))).standing == NEW


@pytest.mark.thorough
def test_of_several_earlier_releases_the_nearest_stands(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    practice.share(crowns(range(112)))
    found = [practice.share(crowns(range(n))).figures for n in (101, 105, 106, 107, 111, 119)]
    # 106 lies six from either: the later one.
    assert found == ["figures 1", "figures 1", "figures 2", "figures 2", "figures 2", "figures 2"]
    assert practice.made == 2


def test_steps_of_ten_patients_do_not_walk_away_from_a_release(practice: Practice) -> None:
    """What stands is held against the records it was made from, not against those of the last run."""
    practice.share(crowns(range(100)))
    assert [practice.share(crowns(range(n))).standing for n in (104, 108, 110, 111)] == [NEAR, NEAR, NEAR, NEW]


def test_the_same_records_keep_their_figures_whatever_the_settings(practice: Practice) -> None:
    """Under other settings they are made once 11 patients changed, or once nothing made so far has left."""
    practice.share(crowns(range(100)))
    other = results(horizon_years="10")
    kept = Remembered("figures 1", DAY, SET)
    assert practice.share(crowns(range(100)), of=other, day=DAY + dt.timedelta(400)) == kept
    assert practice.share(crowns(range(100)), of=results(min_at_risk="30")) == kept
    upgraded = dataclasses.replace(results(), versions={"toothyears": "9.9.9"})
    assert practice.share(crowns(range(100)), of=upgraded) == kept
    assert practice.share(crowns(range(100))).standing == SAME
    assert practice.share(crowns(range(101)), of=other).standing == NEAR
    assert practice.share(crowns(range(111)), of=other).standing == NEW
    assert practice.share(crowns(range(100)), of=other).figures == "figures 1"
    memory_path(practice.key).write_text("begin anew")
    assert practice.share(crowns(range(100)), of=other) == Remembered("figures 3", DAY, NEW)


def test_of_figures_that_were_once_made_under_two_settings_those_of_these_stand(practice: Practice) -> None:
    """A memory of an earlier version, which let other settings through, may hold both."""
    for years in ("5", "10"):
        practice.share(crowns(range(100)), of=results(horizon_years=years), unreadable="figures 1")
    assert [r.figures for r in practice.memory.releases] == ["figures 1", "figures 2"]
    found = [practice.share(crowns(range(100)), of=results(horizon_years=y)) for y in ("5", "10", "3")]
    assert [(f.figures, f.standing) for f in found] == [("figures 1", SAME), ("figures 2", SAME), ("figures 2", SET)]


def test_of_the_same_records_under_the_same_settings_the_latest_figures_stand(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    # Made anew as an earlier version of the program could not be read, which a third reads again.
    assert practice.share(crowns(range(100)), unreadable="figures 1").figures == "figures 2"
    assert practice.share(crowns(range(100))).figures == "figures 2"


def test_patients_under_other_ids_and_alike_patients_are_told_apart_by_their_number(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    renamed = crowns(range(100)).with_columns(patient_id=pl.lit("x") + pl.col("patient_id"))
    assert practice.share(renamed).standing == SAME
    alike = crowns(range(30)).with_columns(exit_date=pl.lit(dt.date(2020, 1, 1)))
    assert practice.share(alike).standing == NEW
    assert practice.share(alike.head(20)).standing == NEAR
    assert practice.share(alike.head(19)).standing == NEW


def test_pages_and_pooling_are_remembered_apart(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    assert practice.share(crowns(range(101)), POOLING).standing == NEW
    assert practice.share(crowns(range(101))).figures == "figures 1"
    assert practice.share(crowns(range(100)), POOLING).figures == "figures 2"


@pytest.mark.parametrize("unreadable", ["", "figures 1"])
def test_pages_and_a_file_for_pooling_one_patient_apart_are_not_rounded_alike(
    practice: Practice, unreadable: str
) -> None:
    """Under one rounding a count that is told otherwise in the two has changed, by the one patient between them.

    So it is with the figures of an earlier version, which are made anew once nothing reads them any more.
    """
    kind = PAGES if unreadable else POOLING
    practice.share(crowns(range(100)))
    first = practice.rounded_by
    assert practice.share(crowns(range(101)), kind, unreadable=unreadable).standing == NEW
    assert practice.rounded_by != first
    one, two = (Rounding(k.encode()) for k in (first, practice.rounded_by))
    assert any(one.count(n) != two.count(n) for n in range(11, 60))
    # Eleven patients on, both kinds are rounded alike again.
    for each in (PAGES, POOLING):
        assert practice.share(crowns(range(112)), each).standing == NEW
    assert len({r.rounded_by for r in practice.memory.releases[-2:]}) == 1


def test_pages_and_a_file_for_pooling_of_the_same_records_are_rounded_alike(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    first = practice.rounded_by
    practice.share(crowns(range(100)), POOLING)
    assert practice.rounded_by == first


def test_figures_of_an_earlier_form_count_as_never_made(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    assert practice.share(crowns(range(101)), unreadable="figures 1").figures == "figures 2"


def test_the_same_records_are_rounded_alike_under_whatever_key_and_memory(tmp_path: Path) -> None:
    """Two files of the same records would else be subtracted."""
    found = []
    for key in ("a key", "another key"):
        (tmp_path / key).mkdir()
        practice = Practice(tmp_path / key)
        practice.key.write_text(key)
        practice.share(crowns(range(30)).with_columns(patient_id=pl.lit(key) + pl.col("patient_id")).reverse())
        found.append((practice.rounded_by, practice.memory.releases[0].records))
        memory_path(practice.key).write_text("begin anew")
        assert practice.share(crowns(range(30))).standing == NEW
        found.append((practice.rounded_by, practice.memory.releases[0].records))
    assert len(set(found)) == 1


def test_later_figures_are_rounded_as_before_where_the_memory_begins_anew(practice: Practice) -> None:
    """The database knows by which of the six turns they were."""
    for n in (100, 120, 140):
        practice.share(crowns(range(n)), day=DAY + dt.timedelta(10 * n))
    before = practice.rounded_by
    memory_path(practice.key).write_text("begin anew")
    assert practice.share(crowns(range(140))).standing == NEW
    assert practice.rounded_by == before


@pytest.mark.parametrize("shared", [1, 4])
def test_two_copies_of_one_memory_round_their_next_figures_apart(practice: Practice, shared: int) -> None:
    """A second machine, or a backup brought back: rounded alike, a count told otherwise has changed by a few.

    In 4 of 6 pairs two such releases, one to ten weeks apart, told of 1 to 8.
    """
    for n in range(shared):
        practice.share(crowns(range(100 + 20 * n)), day=DAY + dt.timedelta(92 * n))
    copied, later, roundings = memory_path(practice.key).read_bytes(), DAY + dt.timedelta(92 * shared), []
    for n in (200, 203):
        memory_path(practice.key).write_bytes(copied)
        practice.path.unlink()
        assert practice.share(crowns(range(n)), day=later).standing == NEW
        roundings.append(practice.rounded_by)
    assert len(set(roundings)) == 2


@pytest.mark.thorough
def test_many_releases_cannot_be_averaged(practice: Practice) -> None:
    """A quarter after the other eleven patients come: a count that stays as it is is told in six ways at most.

    Rounded anew each time, the mean of some years would name the count.
    """
    told = []
    for quarter in range(13):
        day = DAY + dt.timedelta(92 * quarter)
        assert practice.share(crowns(range(100 + 11 * quarter)), day=day).standing == NEW
        told.append(tuple(Rounding(practice.rounded_by.encode()).count(n) for n in range(11, 60)))
    assert len(set(told)) == ROUNDINGS == 6
    assert all(one != next_ for one, next_ in itertools.pairwise(told))


def test_a_count_told_otherwise_in_the_next_release_need_not_have_changed(practice: Practice) -> None:
    """Under one rounding it would have: beside a total told alike, that holds 1 to 8 that came in between."""
    roundings = []
    for quarter in range(ROUNDINGS):
        practice.share(crowns(range(100 + 11 * quarter)), day=DAY + dt.timedelta(92 * quarter))
        roundings.append(Rounding(practice.rounded_by.encode()))
    unchanged = [one.count(n) != two.count(n) for one, two in itertools.pairwise(roundings) for n in range(15, 400)]
    assert 0.2 < sum(unchanged) / len(unchanged) < 0.5


def changed(n: int, failed: int) -> pl.DataFrame:
    """All seen again since, and so many crowns failed."""
    return crowns(range(n), late=range(n), failed=range(failed))


@pytest.mark.parametrize(("failed", "standing"), [(0, NEW), (1, FEW), (10, FEW), (11, NEW)])
def test_while_few_failed_the_figures_of_before_stand(practice: Practice, failed: int, standing: str) -> None:
    """All patients were seen, and changed: it is the few failures that a part beside its total would tell."""
    practice.share(crowns(range(100)))
    assert practice.share(changed(100, failed), day=DAY + dt.timedelta(31)).standing == standing


def test_after_a_year_a_few_failures_are_told(practice: Practice) -> None:
    """By then they are those of a year, and of no month."""
    practice.share(crowns(range(100)))
    found = [practice.share(changed(100, 3), day=DAY + dt.timedelta(d)).standing for d in (364, 365)]
    assert found == [FEW, NEW]


def test_a_few_crowns_more_are_told_with_the_next_eleven(practice: Practice) -> None:
    rows = {n: crowns(range(n), late=range(100)) for n in (103, 110, 111)}
    practice.share(crowns(range(100)))
    assert [practice.share(r).standing for r in rows.values()] == [FEW, FEW, NEW]


def test_rules_moved_a_little_at_a_time_give_three_sets_of_figures_in_half_a_year(practice: Practice) -> None:
    """Those who are counted under one rule of linking and not under the next would be known once there are many."""
    found = [practice.share(crowns(range(100), late=range(20 * i))) for i in range(5)]
    assert [f.standing for f in found] == [NEW, NEW, NEW, OFTEN, OFTEN]
    assert {f.figures for f in found[2:]} == {"figures 3"}
    assert practice.share(crowns(range(100))).standing == SAME
    assert practice.share(crowns(range(100), late=range(95)), day=DAY + dt.timedelta(183)).standing == NEW


# Where it is kept


def test_a_database_built_anew_remembers_what_was_shared(practice: Practice) -> None:
    """Deleted, restored or under another name: the memory lies beside the key."""
    practice.share(crowns(range(100)))
    practice.path.unlink()
    assert practice.share(crowns(range(100))) == Remembered("figures 1", DAY, SAME)
    practice.path.unlink()
    practice.path = practice.path.with_name("other.duckdb")
    assert practice.share(crowns(range(101))) == Remembered("figures 1", DAY, NEAR)


def test_without_a_key_the_memory_knows_the_same_patients_again(practice: Practice) -> None:
    """Its own secret is drawn and kept in it, where patients go by their numbers and there is no key."""
    practice.key.unlink()
    practice.share(crowns(range(100)))
    practice.path.unlink()
    assert practice.share(crowns(range(99))).standing == NEAR


def test_the_memory_is_for_its_owner_alone_and_names_nobody(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    path = memory_path(practice.key)
    assert path.name == "p.releases"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "p0001" not in path.read_text(encoding="utf-8")
    assert len(practice.memory.marks[practice.memory.releases[0].records]["all"]) == 100


@pytest.mark.parametrize("content", ["", "{}", "[]", '{"form": "another"}', "\xff"])
def test_a_damaged_memory_stops_what_would_be_shared(practice: Practice, content: str) -> None:
    """Nothing is shared as if nothing had been."""
    practice.share(crowns(range(100)))
    memory_path(practice.key).write_text(content, encoding="utf-8")
    with pytest.raises(DataError, match="damaged or of another version"):
        practice.share(crowns(range(101)))
    assert practice.made == 1


def test_a_memory_cut_short_is_damaged(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    path = memory_path(practice.key)
    whole = path.read_text(encoding="utf-8")
    path.write_text(whole.replace('"marks": {', '"marks_": {'))
    with pytest.raises(DataError, match="damaged"):
        practice.share(crowns(range(101)))


# Where the memory is lost


def test_a_memory_that_is_gone_is_asked_for_by_the_database(practice: Practice) -> None:
    """Figures of one patient less could be subtracted from those that are out."""
    practice.share(crowns(range(100)))
    path = memory_path(practice.key)
    copy = path.rename(path.with_name("copy"))
    with pytest.raises(DataError, match=r"p\.releases.*not there\. Put the latest copy.*`begin anew`"):
        practice.share(crowns(range(99)))
    assert not path.exists()
    copy.rename(path)
    assert practice.share(crowns(range(99))).standing == NEAR


def test_an_older_copy_of_the_memory_is_no_copy_of_the_latest(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    path = memory_path(practice.key)
    older = path.read_text(encoding="utf-8")
    practice.share(crowns(range(120)))
    path.write_text(older)
    with pytest.raises(DataError, match="an older copy"):
        practice.share(crowns(range(119)))


def test_with_the_database_gone_too_what_lies_beside_earlier_output_asks_for_it(practice: Practice) -> None:
    noted = practice.share(crowns(range(100))).note
    assert re.fullmatch(r"[0-9a-f]{16} [0-9a-f]{16}", noted)
    for gone in (practice.path, memory_path(practice.key)):
        gone.unlink()
    with pytest.raises(DataError, match="not there"):
        practice.share(crowns(range(99)), seen=[noted])
    with pytest.raises(DataError, match="not there"):
        practice.share(crowns(range(99)), seen=[f" {noted.split()[1]}"])
    assert practice.made == 1
    # Another practice's output, in a folder that both wrote to.
    other = f"{'0' * 16} {noted.split()[1]}"
    assert practice.share(crowns(range(99)), seen=[other]).standing == NEW


@pytest.fixture
def keyed(practice: Practice) -> Practice:
    """A practice whose key was made by this version, as the first ingest does."""
    practice.key.unlink()
    load_or_make_key(practice.key, say=lambda _: None)
    return practice


def test_a_key_is_made_with_a_memory_in_which_nothing_was_shared(keyed: Practice) -> None:
    assert keyed.memory == Memory(marks={}, unused=True)
    assert keyed.share(crowns(range(100))) == Remembered("figures 1", DAY, NEW)
    assert keyed.share(crowns(range(99))).standing == NEAR


@pytest.mark.parametrize("database_too", [False, True])
@pytest.mark.parametrize("shared", [False, True])
def test_a_key_that_misses_its_memory_stops_what_would_be_shared(
    keyed: Practice, database_too: bool, shared: bool
) -> None:
    """Memory, database and output may all be lost: the key says that there was a memory."""
    if shared:
        keyed.share(crowns(range(100)))
    memory_path(keyed.key).unlink()
    if database_too:
        keyed.path.unlink(missing_ok=True)
    before = keyed.made
    for _ in range(2):
        with pytest.raises(DataError, match=r"p\.releases: .* not there\. Put the latest copy.*`begin anew`"):
            keyed.share(crowns(range(99)))
    assert keyed.made == before
    memory_path(keyed.key).write_text("begin anew")
    assert keyed.share(crowns(range(99))).standing == NEW
    assert keyed.share(crowns(range(98))).standing == NEAR


def test_the_copy_of_the_memory_back_in_its_place_is_enough(keyed: Practice) -> None:
    keyed.share(crowns(range(100)))
    copy = memory_path(keyed.key).rename(keyed.key.with_name("copy"))
    keyed.path.unlink()
    with pytest.raises(DataError, match="not there"):
        keyed.share(crowns(range(99)))
    copy.rename(memory_path(keyed.key))
    assert keyed.share(crowns(range(99))).standing == NEAR


def test_the_first_copy_of_the_memory_is_an_older_one_for_the_database_and_the_output(keyed: Practice) -> None:
    noted = keyed.share(crowns(range(100))).note
    memory_path(keyed.key).write_text(NOTHING_SHARED)
    for _ in range(2):
        with pytest.raises(DataError, match="an older copy"):
            keyed.share(crowns(range(99)), seen=[noted])
        keyed.path.unlink(missing_ok=True)


def test_a_practice_that_is_known_to_have_shared_nothing_is_told_of_no_loss(keyed: Practice) -> None:
    found = keyed.share(crowns(range(100)))
    assert (found.standing, found.first) == (NEW, False)


@pytest.mark.parametrize("key", ["a key", ""])
def test_a_practice_of_an_earlier_version_is_not_stopped(practice: Practice, key: str) -> None:
    """A key that says nothing of a memory, or none, no memory, and a database that notes no release."""
    practice.key.unlink()
    if key:
        practice.key.write_text(key)
    with open_store(practice.path) as store, store.transaction():
        store.replace(CROWNS, crowns(range(100)))
    found = practice.share(crowns(range(100)))
    assert (found.standing, found.first) == (NEW, True)


def test_a_practice_may_begin_anew_by_its_own_word(practice: Practice) -> None:
    noted = practice.share(crowns(range(100))).note
    memory_path(practice.key).write_text("begin anew\n")
    assert practice.share(crowns(range(99)), seen=[noted]) == Remembered("figures 2", DAY, NEW)
    # From then on it is remembered as before; a file of before in some folder asks for nothing more.
    assert practice.share(crowns(range(98)), POOLING, seen=[noted]).standing == NEW
    assert practice.share(crowns(range(98))).standing == NEAR
    memory_path(practice.key).unlink()
    with pytest.raises(DataError, match="not there"):
        practice.share(crowns(range(98)))


@pytest.mark.parametrize(("of_secret", "is_sound"), [(64, True), (62, False), (0, False)])
def test_a_memory_with_a_secret_of_fewer_than_32_bytes_is_damaged(
    practice: Practice, of_secret: int, is_sound: bool
) -> None:
    practice.share(crowns(range(100)))
    path = memory_path(practice.key)
    secret = practice.memory.secret
    assert len(secret) == 64
    path.write_text(path.read_text(encoding="utf-8").replace(secret, secret[:of_secret]))
    if is_sound:
        assert practice.share(crowns(range(101))).standing == NEAR
    else:
        with pytest.raises(DataError, match="damaged"):
            practice.share(crowns(range(101)))


def test_where_rounding_anew_does_not_help_the_latest_figures_stand(practice: Practice) -> None:
    half_a_year = dt.timedelta(200)
    for n in range(3):
        assert practice.share(crowns(range(100 + 20 * n)), day=DAY + n * half_a_year).standing == NEW
    held = practice.share(crowns(range(160)), day=DAY + 3 * half_a_year, few_between=lambda _: True)
    assert held == Remembered("figures 3", DAY + 2 * half_a_year, FEW)


def test_only_what_two_versions_of_the_program_both_marked_is_held_against_one_another(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    path = memory_path(practice.key)
    told = json.loads(path.read_text(encoding="utf-8"))
    [marks] = told["marks"].values()
    marks["of an earlier version"] = marks.pop("seated")
    path.write_text(json.dumps(told))
    assert practice.share(crowns(range(101))).standing == NEAR
    assert practice.share(crowns(range(120))).standing == NEW


def test_what_cannot_be_remembered_is_not_shared(practice: Practice) -> None:
    practice.key = practice.key.parent / "p.key" / "key"
    with pytest.raises(DataError, match="must be remembered"):
        practice.share(crowns(range(100)))


def test_it_is_said_where_no_earlier_release_is_known(practice: Practice) -> None:
    assert practice.share(crowns(range(100))).first
    assert not practice.share(crowns(range(100))).first
    assert not practice.share(crowns(range(120)), POOLING).first
    memory_path(practice.key).write_text("begin anew")
    assert practice.share(crowns(range(120))).first


def test_it_is_said_where_output_of_another_key_lies_beside(keyed: Practice) -> None:
    """A database or key under another name has a key of its own, which knows of nothing shared."""
    other = f"{'0' * 16} {'1' * 16}"
    assert keyed.share(crowns(range(30)), seen=[other]).first
    assert not keyed.share(crowns(range(60)), seen=[other]).first


def test_a_memory_that_begins_anew_rounds_by_its_own_records(tmp_path: Path) -> None:
    found = []
    for i, n in enumerate((100, 101)):
        (tmp_path / str(i)).mkdir()
        practice = Practice(tmp_path / str(i))
        practice.share(crowns(range(n)))
        found.append(practice.rounded_by)
    assert found[0] != found[1]


def test_without_a_key_one_is_drawn_and_kept(tmp_path: Path) -> None:
    found = []
    for _ in range(2):
        with open_store(tmp_path / "a.duckdb") as store, store.transaction():
            store.replace(CROWNS, crowns(range(30)))
            found.append(records_of(store).digest)
    assert found[0] == found[1]


def test_the_most_of_one_patient_is_counted(tmp_path: Path) -> None:
    rows = crowns(range(20))
    same = [f"p{i:04d}" for i in range(17)] + ["p0000", "p0000", "p0000"]
    rows = rows.with_columns(
        patient_id=pl.Series(same), failure=pl.Series([True] + [False] * 16 + [True, False, False])
    )
    rows = rows.with_columns(
        failure_cause=pl.when("failure").then(pl.lit("removed")),
        exit_reason=pl.when("failure").then(pl.lit("failed")).otherwise("exit_reason"),
    )
    with open_store(tmp_path / "a.duckdb") as store, store.transaction():
        store.replace(CROWNS, rows)
        found = records_of(store)
    assert (found.teeth_of_one, found.failures_of_one) == (4, 2)


@pytest.mark.thorough
def test_what_is_known_by_a_code_alone_is_a_fact_of_its_patient(tmp_path: Path, invented: Path) -> None:
    """A post, a film or a splint more is in no linked table, and moved counts of techniques beside one rounding."""
    shutil.copytree(invented, tmp_path / "p")
    found = []
    with open_store(next((tmp_path / "p").glob("*.duckdb"))) as store:
        codes = json.loads(store.text(TELLING) or "{}")["codes"]
        one = (
            "rowid = (SELECT min(rowid) FROM _procedures WHERE status = 'completed' AND NOT code IN (SELECT unnest(?)))"
        )
        for code in (None, "a code that tells of nothing", codes[0]):
            if code:
                store._run(f"UPDATE _procedures SET code = ? WHERE {one}", [code, codes])
            found.append(records_of(store).digest)
    assert found[0] == found[1] != found[2]


def test_a_standing_of_another_name_is_refused() -> None:
    with pytest.raises(ValueError, match="new"):
        dataclasses.replace(Remembered("", DAY, NEW), standing="old")


@pytest.mark.one_in(6)
@pytest.mark.parametrize("some", range(6))
def test_thirty_practices_one_patient_apart_share_the_same_figures(tmp_path: Path, some: int) -> None:
    """Whichever patient it is, and whether gone, come or changed: nothing is left to subtract."""
    for i in range(5 * some, 5 * some + 5):
        folder = tmp_path / str(i)
        folder.mkdir()
        practice, n = Practice(folder), 40 + 3 * i
        first = practice.share(crowns(range(n)))
        apart = [
            crowns(range(n)).filter(pl.col("patient_id") != f"p{i:04d}"),
            crowns(range(n + 1)),
            crowns(range(n), late=[i]),
        ][i % 3]
        assert practice.share(apart) == Remembered(first.figures, DAY, NEAR)
