"""Patients whom one file lists several times: what counts, whatever the order of the rows."""

from __future__ import annotations

import datetime as dt
from itertools import permutations

import polars as pl
import pytest

from pipeline.practice.tables import PATIENTS
from pipeline.transforms.deduplicate import CONTRADICTED, United, unite_listed


def listed(*rows: dict[str, object]) -> pl.DataFrame:
    said = [{"load_id": 1, "row_number": n, "patient_id": "p1", **row} for n, row in enumerate(rows, 1)]
    return pl.DataFrame(said, schema=PATIENTS.schema)


def one(united: United, *fields: str) -> tuple[object, ...]:
    assert united.patients.height == 1
    return united.patients.select(fields).row(0)


def test_identical_rows_are_one_and_the_others_duplicates():
    row = {"birth_year": 1970, "sex": "female"}
    united = unite_listed(listed(row, row, row))
    assert one(united, "row_number", "birth_year", "sex") == (1, 1970, "female")
    assert united.verdicts.select("row_number", "verdict", "field").rows() == [
        (2, "duplicate", None),
        (3, "duplicate", None),
    ]


def test_an_empty_field_gets_what_another_row_says():
    united = unite_listed(listed({"sex": "male"}, {"smoker": False, "birth_date": dt.date(1970, 5, 1)}))
    assert one(united, "sex", "smoker", "birth_date") == ("male", False, dt.date(1970, 5, 1))
    assert united.verdicts["verdict"].to_list() == ["duplicate"]


def test_a_contradicted_field_is_empty_and_names_itself():
    united = unite_listed(listed({"sex": "male", "smoker": True}, {"sex": "male", "smoker": False}))
    assert one(united, "sex", "smoker") == ("male", None)
    assert united.verdicts.select("row_number", "verdict", "field").rows() == [(2, CONTRADICTED, "smoker")]


@pytest.mark.parametrize(("year", "kept"), [(1970, dt.date(1970, 5, 1)), (1971, None)])
def test_a_birth_date_and_a_year_agree_or_contradict_each_other(year: int, kept: dt.date | None):
    united = unite_listed(listed({"birth_date": dt.date(1970, 5, 1)}, {"birth_year": year}))
    assert one(united, "birth_date", "birth_year") == (kept, year if kept else None)
    assert united.verdicts["verdict"].to_list() == ["duplicate" if kept else CONTRADICTED]


def test_the_earliest_first_contact_and_the_latest_last_one_count():
    days = [dt.date(2020, 1, 5), dt.date(2019, 1, 5)]
    rows = [{"first_contact_date": day, "last_contact_date": day} for day in days]
    united = unite_listed(listed(*rows))
    assert one(united, "first_contact_date", "last_contact_date") == (days[1], days[0])
    assert united.verdicts["verdict"].to_list() == ["duplicate"]


def test_the_order_of_rows_changes_nothing_but_which_row_is_named():
    rows: list[dict[str, object]] = [
        {"sex": "male", "birth_year": 1970},
        {"sex": "male", "birth_year": 1971},
        {"sex": "male"},
        {"birth_year": 1971, "sex": "male"},
        {"smoker": True},
    ]
    fields = [name for name in PATIENTS.columns if name != "row_number"]
    found = [unite_listed(listed(*order)) for order in permutations(rows)]
    assert len({one(united, *fields) for united in found}) == 1
    counts = {tuple(sorted(united.verdicts["verdict"])) for united in found}
    assert counts == {("duplicate", "duplicate", "duplicate", CONTRADICTED)}


def test_rows_of_two_loads_or_two_patients_are_not_united():
    two = listed({"sex": "male"}, {"sex": "female"}).with_columns(patient_id=pl.Series(["p1", "p2"]))
    assert unite_listed(two).patients.height == 2
    loads = listed({"sex": "male"}, {"sex": "female"}).with_columns(load_id=pl.Series([1, 2], dtype=pl.Int32))
    assert unite_listed(loads).verdicts.is_empty()


def test_no_rows_give_no_rows():
    assert unite_listed(PATIENTS.empty()).patients.equals(PATIENTS.empty())
