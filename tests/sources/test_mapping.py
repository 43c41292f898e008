from __future__ import annotations

import pytest

from pipeline.machine.errors import DataError
from pipeline.reading.sources.mapping import resolve_columns

HEADINGS = ["Chart No", "Date", "Code", "tooth", "Notes"]
TOLD = {"patient_id": "Chart No", "service_date": "Date", "code": "Code"}


def test_told_columns_and_those_with_our_names():
    found = resolve_columns(HEADINGS, TOLD, table="procedures", file="ledger.csv")
    assert found == {**TOLD, "tooth": "tooth"}


@pytest.mark.parametrize(
    ("headings", "told", "message"),
    [
        (HEADINGS, {**TOLD, "code": "Codes"}, r'ledger.csv: has no column "Codes".*columns.code.*\n.*near: Code'),
        (HEADINGS, {"patient_id": "Chart No"}, r"nothing says which column is service_date and which is code"),
        (["Date", "Date (2)", "Chart No", "Code"], TOLD, r'"Date" is there twice'),
    ],
)
def test_what_is_missing_is_named(headings: list[str], told: dict[str, str], message: str):
    with pytest.raises(DataError, match=message):
        resolve_columns(headings, told, table="procedures", file="ledger.csv")
