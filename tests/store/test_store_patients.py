"""Stand-ins of patients: what is stored in which order, and who is drawn, hangs on no name of a patient."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.practice.tables import CROWNS, ENDO_COURSES, LINKED_TABLES
from pipeline.reading.config import code_table, load_settings
from pipeline.stages import run
from pipeline.stages.run_link import link_rules
from pipeline.stages.standing import LINKED
from pipeline.storing.own_tables import STAND_INS
from pipeline.storing.store import open_store
from pipeline.transforms.link import event_codes
from pipeline.transforms.patient_numbers import under_stand_ins

# Twins have the same teeth on the same days: 2 has another clinician than 1, 3 another clinic, 4 a post of 2022, 5 a
# film that was read, and 1 and 6 are alike in all that is stored.
CROWN = "2020-03-02,D2740,3,Gray,North"
LEDGER = {
    "one": [CROWN],
    "two": ["2020-03-02,D2740,3,Reid,North"],
    "three": ["2020-03-02,D2740,3,Gray,South"],
    "four": [CROWN, "2022-05-02,D2954,14,Gray,North"],
    "five": [CROWN],
    "six": [CROWN],
    "seven": ["2018-01-15,D3330,19,Gray,North", "2018-02-19,D2740,19,Gray,North", "2021-02-19,D7140,19,Gray,North"],
}
LAST = "2024-01-08,D0120,,Gray,North"
FINDING = {"five": "2023-03-06,3,2,Gray"}
AS_THEY_ARE = {name: name for name in LEDGER}
OTHERS = {name: f"P{n}" for n, name in enumerate(reversed(LEDGER))}


def linked(folder: Path, names: Mapping[str, str], *, parts: int = 1, clinics: Mapping[str, str] | None = None) -> Path:
    """The database of the ledger with patients under these names, linked."""
    folder.mkdir()
    rows = [f"{names[who]},{row}" for who, of in LEDGER.items() for row in (*of, LAST)]
    for old, new in (clinics or {}).items():
        rows = [row.replace(old, new) for row in rows]
    text = "\n".join(["patient_id,service_date,code,tooth,provider_id,site_id", *sorted(rows)])
    (folder / "ledger.csv").write_text(text + "\n", encoding="ascii")
    found = [f"{names[who]},{row}" for who, row in FINDING.items()]
    (folder / "found.csv").write_text("\n".join(["patient_id,exam_date,tooth,pai,reader", *found]) + "\n")
    (folder / "practice.toml").write_text(
        '[practice]\nname = "Alder Row Dental"\ntooth_notation = "universal"\ncode_system = "cdt"\n'
        '[tables.procedures]\nfiles = ["ledger.csv"]\n[tables.findings]\nfiles = ["found.csv"]\n'
    )
    settings = load_settings(folder / "practice.toml")
    run.ingest_stage(settings, today=dt.date(2026, 1, 31), say=lambda _: None, keep_ids=True)
    return run.link_stage(settings, say=lambda _: None, parts=parts)


def in_our_words(database: Path, names: Mapping[str, str]) -> dict[str, pl.DataFrame]:
    """What is linked, in the order in which it is stored, with the patients under their first names; twins as one."""
    ours = {new: old for old, new in names.items()} | {names["six"]: "one"}
    with open_store(database, read_only=True) as store:
        tables = {t.name: store.read(t) for t in LINKED_TABLES} | {STAND_INS.name: store.stand_ins.read()}
    tables[STAND_INS.name] = tables[STAND_INS.name].sort("stands_as")
    return {name: rows.with_columns(pl.col("patient_id").replace(ours)) for name, rows in tables.items()}


@pytest.fixture(scope="module")
def as_they_are(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return linked(tmp_path_factory.mktemp("patients") / "as they are", AS_THEY_ARE)


@pytest.fixture(scope="module")
def renamed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return linked(tmp_path_factory.mktemp("patients") / "renamed", OTHERS)


@pytest.mark.thorough
@pytest.mark.parametrize("parts", [1, 3])
def test_other_names_change_no_number_and_no_order(as_they_are: Path, renamed: Path, parts: int) -> None:
    one = in_our_words(as_they_are, AS_THEY_ARE)
    run.link_stage(load_settings(renamed.with_name("practice.toml")), say=lambda _: None, parts=parts)
    other = in_our_words(renamed, OTHERS)
    assert one[CROWNS.name].height == len(LEDGER)
    for name, rows in one.items():
        assert_frame_equal(rows, other[name])
    assert one[CROWNS.name]["crown_id"].is_sorted()
    in_order = one[STAND_INS.name]["patient_id"]
    assert one[CROWNS.name]["patient_id"].to_list() == in_order.to_list()


def test_who_is_alike_but_for_names_shares_a_digest(as_they_are: Path) -> None:
    with open_store(as_they_are, read_only=True) as store:
        digests = dict(store.stand_ins.read().with_columns(pl.col("stands_as").str.head(16)).iter_rows())
    assert len({digests[name] for name in ("one", "two", "three", "four", "five", "six")}) == 1
    assert digests["seven"] != digests["one"]


def test_other_names_of_clinics_part_only_who_is_alike(as_they_are: Path, tmp_path: Path) -> None:
    other = linked(tmp_path / "other clinics", AS_THEY_ARE, clinics={"North": "A", "South": "B"})
    found = []
    for database in (as_they_are, other):
        with open_store(database, read_only=True) as store:
            found.append(store.stand_ins.read().with_columns(pl.col("stands_as").str.head(16)).sort(pl.all()))
    assert_frame_equal(*found)


def test_a_sample_takes_the_same_patients_under_any_name(as_they_are: Path, renamed: Path) -> None:
    drawn = []
    for database, names in ((as_they_are, AS_THEY_ARE), (renamed, OTHERS)):
        settings = load_settings(database.with_name("practice.toml"))
        kinds = event_codes(code_table(settings))
        ours = {new: old for old, new in names.items()} | {names["six"]: "one"}
        with open_store(settings.practice.database) as store:
            until = link_rules(settings).data_cutoff
            for share in (0.3, 0.6):
                with store.linking.gathered(kinds, until=until, share=share) as gathered:
                    ids = gathered.frames()["procedures"]["patient_id"].unique()
                    drawn.append(sorted(ours[name] for name in ids))
    assert drawn[:2] == drawn[2:]
    assert 0 < len(drawn[1]) < len(LEDGER)


@pytest.mark.thorough
def test_a_database_made_before_has_none_until_it_is_linked_anew(tmp_path: Path) -> None:
    database = linked(tmp_path / "a", AS_THEY_ARE)
    with open_store(database) as store:
        whole = store.read(ENDO_COURSES)
        store._connection.execute(f"DROP TABLE {STAND_INS.name}")
        store.save_text(LINKED, "by an earlier program")
    with open_store(database) as store:
        assert store.stand_ins.read().is_empty()
        assert store.stand_ins.reader(store.read)(ENDO_COURSES)["patient_id"].to_list() == ["~seven"]
    settings = load_settings(database.with_name("practice.toml"))
    run.link_stage(settings, say=lambda _: None)
    with open_store(database, read_only=True) as store:
        assert store.stand_ins.read().height == len(LEDGER)
        assert_frame_equal(store.read(ENDO_COURSES), whole)


def test_rows_stay_in_their_order_under_stand_ins() -> None:
    rows = pl.DataFrame({"n": [1, 2, 3, 4], "patient_id": ["b", "z", "a", "b"]})
    stand_ins = pl.DataFrame({"patient_id": ["a", "b"], "stands_as": ["2", "1"]})
    named = under_stand_ins(rows, stand_ins)
    assert named.rows() == [(1, "1"), (2, "~z"), (3, "2"), (4, "1")]
