"""Running numbers of ledger rows in the range of a spreadsheet's day numbers are no dates."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pipeline.reading.suggest.propose import suggest


@pytest.mark.parametrize("first", [41_000, 25_570])
def test_row_numbers_that_could_be_days(tmp_path: Path, first: int):
    days = ("01/13/2010", "02/14/2010", "03/25/2011", "04/05/2012")
    codes = ("D2740", "D3330", "D0120", "D1110")
    rows = (f"{first + n},A{n % 70:05},{days[n % 4]},{codes[n % 4]},{1 + n % 32}" for n in range(600))
    ledger = tmp_path / "ledger.csv"
    ledger.write_text("Entry No,Chart No,Date,Code,Th\n" + "\n".join(rows) + "\n", encoding="utf-8")
    found = tomllib.loads(suggest([ledger], folder=tmp_path).text)["tables"]["procedures"]["columns"]
    assert found == {
        "procedure_id": "Entry No",
        "patient_id": "Chart No",
        "service_date": "Date",
        "code": "Code",
        "tooth": "Th",
    }
