"""The memory of releases: same records, near records, other records; and what is kept of them."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from pipeline.practice.tables import CROWNS, RELEASED_RECORDS, RELEASES
from pipeline.release.disclosure import Rounding, gate_of
from pipeline.release.memory import NEAR, NEW, PAGES, POOLING, SAME, Remembered, records_of, remembered
from pipeline.results import Counts, Quality, Results
from pipeline.results.records import Records
from pipeline.storing.store import open_store

DAY = dt.date(2026, 11, 1)


def crowns(patients: range, *, late: frozenset[int] = frozenset()) -> pl.DataFrame:
    """One crown a patient; those of `late` were followed a day longer."""
    rows = []
    for i in patients:
        row = dict.fromkeys(CROWNS.columns)
        row |= dict.fromkeys(
            ("access_elsewhere", "order_uncertain", "failure", "failure_elsewhere", "remake_no_fee", "done_elsewhere"),
            False,
        )
        row |= {n: False for n, c in CROWNS.columns.items() if c.dtype == pl.Boolean() and not c.nullable}
        row |= {
            "crown_id": f"c{i}", "patient_id": f"p{i:04d}", "tooth_fdi": 16, "tooth_group": "molar",
            "crown_kind": "single", "seat_date": dt.date(2015, 1, 1), "entry_date": dt.date(2015, 1, 1),
            "exit_date": dt.date(2020, 1, 1) + dt.timedelta(10 * i + (i in late)), "exit_reason": "last_contact",
        }  # fmt: skip
        rows.append(row)
    return pl.DataFrame(rows, schema={n: c.dtype for n, c in CROWNS.columns.items()}, orient="row")


def results(**analysis: str) -> Results:
    return Results("", "2010-01-01", "2024-12-31", Counts(0, 0, 0, 0, 0, 0), (), (), Quality(), (), {}, analysis, {})


class Practice:
    """A store to share from; what it shares is numbered, so that it is told which figures came."""

    def __init__(self, folder: Path) -> None:
        self.path, self.key, self.made, self.rounded_by = folder / "p.duckdb", folder / "p.key", 0, ""
        self.key.write_text("a key")

    def share(
        self,
        rows: pl.DataFrame,
        kind: str = PAGES,
        *,
        day: dt.date = DAY,
        of: Results | None = None,
        unreadable: str = "",
    ) -> Remembered:
        def make(told: Results) -> str:
            self.made += 1
            self.rounded_by = told.records.rounded_by
            return f"figures {self.made}"

        with open_store(self.path) as store, store.transaction():
            store.replace(CROWNS, rows)
            found = dataclasses.replace(of or results(), records=records_of(store, key=self.key))
            return remembered(
                store, found, kind=kind, key=self.key, today=day, make=make,
                readable=lambda text: text != unreadable,
            )  # fmt: skip

    def read(self, what: str) -> pl.DataFrame:
        with open_store(self.path, read_only=True) as store:
            return store.read({"releases": RELEASES, "records": RELEASED_RECORDS}[what])


@pytest.fixture
def practice(tmp_path: Path) -> Practice:
    return Practice(tmp_path)


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
    assert practice.share(crowns(range(100), late=frozenset(range(changed)))).standing == standing


def test_some_gone_and_as_many_come_count_once(practice: Practice) -> None:
    """By how many patients records differ is never taken for more than it is: 10 gone and 10 others come may be 10."""
    practice.share(crowns(range(100)))
    assert practice.share(crowns(range(10, 110))).standing == NEAR
    assert practice.share(crowns(range(11, 111))).standing == NEW


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


def test_other_settings_of_the_same_records_are_told_but_not_of_near_ones(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    other = results(horizon_years="10")
    assert practice.share(crowns(range(100)), of=other) == Remembered("figures 2", DAY, NEW)
    assert practice.share(crowns(range(100))).figures == "figures 1"
    assert practice.share(crowns(range(101)), of=results(horizon_years="3")).standing == NEAR


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
    # Eleven patients on, all of both kinds are rounded by those of the first release again.
    for each in (PAGES, POOLING):
        assert practice.share(crowns(range(112)), each).standing == NEW
        assert practice.rounded_by == first


def test_pages_and_a_file_for_pooling_of_the_same_records_are_rounded_alike(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    first = practice.rounded_by
    practice.share(crowns(range(100)), POOLING)
    assert practice.rounded_by == first


def test_figures_of_an_earlier_form_count_as_never_made(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    assert practice.share(crowns(range(101)), unreadable="figures 1").figures == "figures 2"


def test_a_database_built_anew_rounds_the_same_records_alike(tmp_path: Path) -> None:
    digests = []
    for name in ("a", "b"):
        with open_store(tmp_path / f"{name}.duckdb") as store, store.transaction():
            store.replace(CROWNS, crowns(range(30)))
            key = tmp_path / "p.key"
            key.write_text("a key")
            digests.append(records_of(store, key=key).digest)
    assert digests[0] == digests[1]
    with open_store(tmp_path / "c.duckdb") as store, store.transaction():
        store.replace(CROWNS, crowns(range(30)))
        key.write_text("another key")
        assert records_of(store, key=key).digest != digests[0]


def test_many_releases_cannot_be_averaged(practice: Practice) -> None:
    """Month by month eleven patients come: what stays as it is is told alike in every release of the database.

    Rounded anew each time, the mean of two years would name the count.
    """
    told, anew = set(), []
    for month in range(24):
        rows = crowns(range(100 + 11 * month))
        assert practice.share(rows).standing == NEW
        with open_store(practice.path) as store, store.transaction():
            found = records_of(store, key=practice.key)
        of = dataclasses.replace(results(), records=found)
        told.add(tuple(gate_of(of).rounding.count(n) for n in range(11, 60)))
        anew.append(gate_of(dataclasses.replace(of, records=Records(found.digest))).rounding.count(17))
    assert len(told) == 1
    assert set(anew) == {15, 20}
    assert practice.made == 24


def test_a_memory_that_begins_anew_rounds_by_its_own_records(tmp_path: Path) -> None:
    found = []
    for i, n in enumerate((100, 101)):
        (tmp_path / str(i)).mkdir()
        practice = Practice(tmp_path / str(i))
        practice.share(crowns(range(n)))
        with open_store(practice.path) as store, store.transaction():
            found.append(records_of(store, key=practice.key).rounded_by)
    assert found[0] != found[1]


def test_without_a_key_one_is_drawn_and_kept(tmp_path: Path) -> None:
    found = []
    for _ in range(2):
        with open_store(tmp_path / "a.duckdb") as store, store.transaction():
            store.replace(CROWNS, crowns(range(30)))
            found.append(records_of(store, key=tmp_path / "none").digest)
    assert found[0] == found[1]


def test_what_is_kept_names_nobody_and_outlasts_linking(practice: Practice) -> None:
    practice.share(crowns(range(100)))
    with open_store(practice.path) as store, store.transaction():
        store.mark_done("ingest")
        store.mark_done("link")
        store.replace(CROWNS, crowns(range(0)))
    kept = practice.read("records")
    assert kept.height == 100
    assert kept["mark"].n_unique() == 100
    assert "p0001" not in str(kept.to_dicts()) + str(practice.read("releases").to_dicts())


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
        found = records_of(store, key=tmp_path / "none")
    assert (found.teeth_of_one, found.failures_of_one) == (4, 2)


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
            crowns(range(n), late=frozenset([i])),
        ][i % 3]
        assert practice.share(apart) == Remembered(first.figures, DAY, NEAR)
