from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from pipeline.errors import DataError
from pipeline.transforms.dates import DateForm, decide_form, gather_evidence, parse_dates


def decide(*texts: str, **repeated: int) -> DateForm:
    counts = pl.DataFrame({"text": [*texts, *repeated], "n": [1] * len(texts) + list(repeated.values())})
    return decide_form(gather_evidence(counts), column='ledger.csv: column "Date" (service_date)', table="procedures")


@pytest.mark.parametrize(
    ("texts", "month_first"),
    [
        (["2020-03-01", "2020/3/1", "2020.03.01", "20200301", "2020-03-01T10:00:00Z"], None),
        (["01/25/2020", "02/03/2020"], True),
        (["25/01/2020", "02/03/2020"], False),
        (["25.01.2020", "02.03.2020 00:00"], False),
        (["1-25-2020 3:45 PM"], True),
        (["05/05/2020", "6/6/2021"], None),  # ambiguous, and harmless
        (["null", "", "0000-00-00", "2020-01-01"], None),
    ],
)
def test_the_order_that_the_values_show(texts: list[str], month_first: bool | None):
    assert decide(*texts) == DateForm(month_first=month_first)


def test_a_column_that_two_orders_fit_is_refused_with_the_counts_and_the_line_to_write():
    with pytest.raises(DataError) as error:
        decide("01/02/2020", "03-04-2020", "05/06/2020")
    assert str(error.value) == (
        'ledger.csv: column "Date" (service_date): 3 of 3 dates fit both month/day and day/month, and no date decides.\n'
        '  To settle it, under [tables.procedures] write date_format = "%m/%d/%Y" if the month comes first, '
        'or "%d/%m/%Y" if the day does.'
    )


def test_slips_of_the_pen_do_not_overrule_a_column():
    # 1 of 200 deciding values is against: below 1 %.
    assert decide(**{"01/25/2020": 199, "25/01/2020": 1}).month_first is True
    with pytest.raises(DataError, match=r"198 dates fit month/day only and 2 fit day/month only"):
        decide(**{"01/25/2020": 198, "25/01/2020": 2})  # 1 % exactly


def test_a_few_ambiguous_dates_among_many_with_the_year_first_are_not_read():
    assert decide(**{"2020-01-25": 199, "01/02/2020": 1}) == DateForm()
    assert parse_dates(pl.Series(["01/02/2020"]), DateForm())["note"].item() == "unreadable"
    with pytest.raises(DataError, match="2 of 200 dates fit both"):
        decide(**{"2020-01-25": 198, "01/02/2020": 2})


def test_years_of_two_digits_need_a_pattern():
    with pytest.raises(DataError, match=r'year of two digits.*\n.*date_format = "%m/%d/%y"'):
        decide("01/25/20", "2020-01-01")
    assert decide(**{"01/25/2020": 199, "01/25/20": 1}).month_first is True


def test_a_column_without_a_date_is_refused():
    with pytest.raises(DataError, match="none of 2 values is a date"):
        decide("45000", "D2740")


@pytest.mark.parametrize(
    ("text", "form", "day"),
    [
        ("2020-02-29", DateForm(), "2020-02-29"),
        ("2021-02-29", DateForm(), None),
        ("20200229", DateForm(True), "2020-02-29"),
        ("2020/2/9 00:00:00", DateForm(True), "2020-02-09"),
        ("02/09/2020", DateForm(True), "2020-02-09"),
        ("02/09/2020", DateForm(False), "2020-09-02"),
        ("2/9/2020", DateForm(False), "2020-09-02"),
        ("25/01/2020", DateForm(True), None),
        ("01/25/20", DateForm(True), None),
        ("04152020", DateForm(True), None),
        ("05/05/2020", DateForm(), "2020-05-05"),
        ("5 Mar 2020", DateForm(pattern="%d %b %Y"), "2020-03-05"),
        ("1/5/2020 10:30", DateForm(pattern="%m/%d/%Y"), "2020-01-05"),
        ("2020-01-05", DateForm(pattern="%m/%d/%Y"), None),
        ("01/05/20 10:30", DateForm(pattern="%d/%m/%y %H:%M"), "2020-05-01"),
    ],
)
def test_one_date_in_one_form(text: str, form: DateForm, day: str | None):
    _, value, note = parse_dates(pl.Series([text]), form).row(0)
    assert value == (dt.date.fromisoformat(day) if day else None)
    assert note == (None if day else "unreadable")


@pytest.mark.parametrize("text", ["NULL", "n/a", "0000-00-00", "00/00/0000"])
def test_words_for_nothing_are_missing_and_no_fault(text: str):
    assert parse_dates(pl.Series([text]), DateForm()).row(0) == (text, None, None)
