"""Which columns are read before the rows are typed, and what is settled by that."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from pathlib import Path

import polars as pl
import pytest

from pipeline.machine.errors import ConfigError
from pipeline.reading.column_forms import ColumnForms, column_forms
from pipeline.reading.config import Practice, TableSource
from pipeline.reading.sources.source import MALFORMED_SCHEMA, Batch, Spoken
from pipeline.transforms.dates import DateForm

TODAY = dt.date(2026, 1, 31)


class Rows:
    """A source that remembers which columns were asked for."""

    def __init__(self, spoken: Spoken | None = None, **columns: list[str]) -> None:
        self.frame, self.spoken = pl.DataFrame(columns), spoken or Spoken()
        self.asked: list[list[str]] = []

    @property
    def headings(self) -> Sequence[str]:
        return self.frame.columns

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        self.asked.append(list(headings or self.headings))
        for start in range(0, self.frame.height, 2):
            rows = self.frame[start : start + 2].select(headings or self.headings)
            yield Batch(pl.int_range(1, rows.height + 1, eager=True), rows, pl.DataFrame(schema=MALFORMED_SCHEMA))


def settle(source: Rows, *, practice: dict | None = None, said: list[str] | None = None, **told: object) -> ColumnForms:
    columns = {"service_date": "Day", "fee": "Fee"} if "table" not in told else {"birth_date": "Born"}
    table = TableSource(name=str(told.pop("table", "procedures")), files=("x.csv",), **told)  # type: ignore[arg-type]
    house = Practice(name="Alder Row Dental", tooth_notation="fdi", database=Path("x"), **(practice or {}))
    say = (said if said is not None else []).append
    return column_forms(source, columns, table, house, file="x.csv", today=TODAY, say=say)


def test_one_reading_of_the_columns_in_question():
    source, said = Rows(Day=["25.01.2020", "01.02.2020", "", "2.2.20"], Fee=["1", "", "12,5", "1.234"]), []
    forms = settle(source, two_digit_years_from=1950, said=said)
    assert forms == ColumnForms({"service_date": DateForm(False, years_from=1950)}, {"fee": ","})
    assert source.asked == [["Day", "Fee"]]
    assert said == [
        'procedures: x.csv: column "Day" (service_date) is read as day/month/year',
        'procedures: x.csv: column "Fee" (fee) is read with a decimal comma',
    ]


def test_nothing_is_read_where_all_is_told():
    source = Rows(Day=["25.01.2020"], Fee=["12.5"])
    forms = settle(source, date_format="%d.%m.%Y", decimal=".")
    assert (forms, source.asked) == (
        ColumnForms({"service_date": DateForm(pattern="%d.%m.%Y")}, {"fee": "."}),
        [],
    )
    settle(source, date_format="%d.%m.%Y")
    settle(source, decimal=".")
    assert source.asked == [["Fee"], ["Day"]]


def test_the_file_is_asked_first_then_the_table_then_the_practice():
    both = {"practice": {"serial_dates": "1900", "two_digit_years_from": 1930}, "decimal": "."}
    spoken = Rows(Spoken(serial_dates="1904"), Day=["43891"], Fee=["1"])
    assert settle(spoken, **both).dates["service_date"] == DateForm(serial="1904", years_from=1930)
    plain = Rows(Day=["43891"], Fee=["1"])
    assert settle(plain, **both).dates["service_date"].serial == "1900"
    assert settle(plain, serial_dates="1904", **both).dates["service_date"].serial == "1904"


def test_only_births_have_a_last_day():
    source = Rows(Born=["25.01.49", "1950", "43891"])
    forms = settle(source, table="patients", two_digit_years_from=1950, serial_dates="1900")
    assert forms.dates == {"birth_date": DateForm(False, None, 1950, "1900", TODAY)}


def test_a_pattern_of_two_digits_needs_the_century():
    with pytest.raises(ConfigError, match="two_digit_years_from = 1950"):
        settle(Rows(Day=["25.01.20"], Fee=["1"]), date_format="%d.%m.%y")
