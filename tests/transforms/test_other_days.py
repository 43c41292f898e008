"""Days with the day of the week, in seconds since 1970 and of the Buddhist era; years of two digits in front."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from pipeline.machine.errors import DataError
from pipeline.transforms.dates import DateForm, decide_form, gather_evidence, parse_dates
from pipeline.transforms.other_days import ERAS, epoch_as_stamp, without_weekday


def by(change, text: str) -> str:
    return pl.DataFrame({"text": [text]}).select(change(pl.col("text"))).item()


def counted(*texts: str) -> pl.DataFrame:
    return pl.DataFrame({"text": texts}).group_by("text").agg(pl.len().cast(pl.Int64).alias("n"))


@pytest.mark.parametrize(
    ("written", "bare"),
    [
        ("ma 14 mrt 2022", "14 mrt 2022"),
        ("mar. 14 mars 2022", "14 mars 2022"),
        ("mar 14 2022", "mar 14 2022"),  # a month: nothing is left of a date without it
        ("Mar 14, 2022", "Mar 14, 2022"),
        ("Monday, March 14, 2022", "March 14, 2022"),
        ("Montag, den 14.03.2022", "14.03.2022"),
        ("Fri 2022-03-18", "2022-03-18"),
        ("14.03.2022 Mo", "14.03.2022"),
        ("3/14/22 (Mon)", "3/14/22"),
        ("sexta-feira, 18/03/2022", "18/03/2022"),
        ("so 3", "so 3"),
        ("May 5, 2020", "May 5, 2020"),
    ],
)
def test_the_day_of_the_week_is_left_out(written: str, bare: str):
    assert by(without_weekday, written) == bare


@pytest.mark.parametrize(
    ("written", "date"),
    [
        ("2022年3月14日", dt.date(2022, 3, 14)),
        ("2022년 3월 14일", dt.date(2022, 3, 14)),
        ("令和4年3月14日", dt.date(2022, 3, 14)),
        ("R4.3.14", dt.date(2022, 3, 14)),
        ("H31.4.30", dt.date(2019, 4, 30)),
        ("令和元年5月1日", dt.date(2019, 5, 1)),
        ("S63/12/1", dt.date(1988, 12, 1)),
        ("14MAR2022", dt.date(2022, 3, 14)),
        ("14mar22", dt.date(2022, 3, 14)),
        ("20220314103000", dt.date(2022, 3, 14)),
        ("20220314T1030", dt.date(2022, 3, 14)),
        ("20221314103000", None),
        ("R4.13.14", None),
        ("Q4.3.14", None),
    ],
)
def test_dates_with_other_signs_or_none_between(written: str, date: dt.date | None):
    assert parse_dates(pl.Series([written]), DateForm(years_from=1950))["value"].to_list() == [date]
    evidence = gather_evidence(counted(written))
    assert (evidence.year_first + evidence.short_named > 0) == (date is not None or written == "R4.13.14")


def test_a_told_pattern_with_the_day_of_the_week_still_reads_it():
    read = parse_dates(pl.Series(["Monday, March 14, 2022"]), DateForm(pattern="%A, %B %d, %Y"))
    assert read["value"].to_list() == [dt.date(2022, 3, 14)]


def test_seconds_and_milliseconds_since_1970():
    # 1,551,441,600 s = 17,956 days and 12 hours: 2019-03-01, noon.
    assert by(epoch_as_stamp, "1551441600") == "2019-03-01T12:00:00Z"
    assert by(epoch_as_stamp, "1551441600000") == "2019-03-01T12:00:00Z"
    for other in ("155144160", "5551234567", "20190301", "15514416000"):  # too short, a telephone, a day, neither
        assert by(epoch_as_stamp, other) == other


@pytest.mark.parametrize(
    ("written", "stamp"),
    [
        ("1551441600000000", "2019-03-01T12:00:00Z"),
        ("1551441600000000000", "2019-03-01T12:00:00Z"),
        ("636870384000000000", "2019-03-01T12:00:00Z"),  # 737,118 days and 12 hours since the year 1
        ("/Date(1551441600000)/", "2019-03-01T12:00:00Z"),
        ("2458544", "2019-03-01T12:00:00Z"),  # 2,451,545 is noon of the first of January 2000
        ("2458543.5", "2019-03-01T00:00:00Z"),
        ("2019060", "2019-03-01T00:00:00Z"),
    ],
)
def test_other_counts_of_time(written: str, stamp: str):
    assert by(epoch_as_stamp, written) == stamp


def test_seconds_are_read_only_where_all_values_are_such():
    assert decide_form(gather_evidence(counted("1551441600", "1583064000")), column="c", table="t").epoch
    mixed = gather_evidence(counted("1551441600", "2019-03-01"))
    assert not decide_form(mixed, column="c", table="t").epoch


def test_years_of_the_buddhist_era():
    assert by(ERAS["buddhist"].as_common, "29/02/2563") == "29/02/2020"  # no leap year if it were of the common era
    assert by(ERAS["buddhist"].as_common, "14/03/2022") == "14/03/2022"
    form = decide_form(gather_evidence(counted("29/02/2563", "14/03/2562")), column="c", table="t")
    assert (form.era, form.month_first) == ("buddhist", False)
    assert parse_dates(pl.Series(["29/02/2563"]), form)["value"].to_list() == [dt.date(2020, 2, 29)]
    mixed = decide_form(gather_evidence(counted("14/03/2562", "14/03/2019")), column="c", table="t")
    assert not mixed.era


def test_a_year_of_two_digits_that_may_stand_first_is_asked():
    first = gather_evidence(counted("19/03/01", "19/03/28", "20/02/14"))
    with pytest.raises(DataError, match="may come first or last"):
        decide_form(first, column="c", table="t", years_from=1950)
    last = gather_evidence(counted("01/03/19", "28/03/19", "14/02/20"))
    assert decide_form(last, column="c", table="t", years_from=1950).month_first is False
    american = gather_evidence(counted("03/01/19", "03/28/19", "02/14/20"))
    assert decide_form(american, column="c", table="t", years_from=1950).month_first is True


@pytest.mark.parametrize(
    ("written", "day"),
    [
        ("2022. III. 14.", dt.date(2022, 3, 14)),
        ("14.III.2022", dt.date(2022, 3, 14)),
        ("14/xii/2022", dt.date(2022, 12, 14)),
        ("2022,3,14", dt.date(2022, 3, 14)),
        ("[2022, 3, 14, 9, 30]", dt.date(2022, 3, 14)),
        ("14.IIII.2022", None),  # no month
    ],
)
def test_days_with_roman_months_and_as_lists(written: str, day: dt.date | None):
    assert parse_dates(pl.Series([written]), DateForm())["value"].to_list() == [day]


def test_milliseconds_in_a_call_are_a_moment():
    form = decide_form(
        gather_evidence(counted("/Date(1647216000000)/", "/Date(1647302400000-0500)/")), column="c", table="t"
    )
    assert form.epoch
    found = parse_dates(pl.Series(["/Date(1647216000000)/"]), form)["value"].to_list()
    assert found == [dt.date(2022, 3, 14)]


def test_years_of_the_solar_calendar_and_of_the_republic():
    # New year 1399 fell on 20 March 2020, and 1403 has 30 days in its last month (public almanacs, from memory).
    days = ["1399/01/01", "1399/05/12", "1403/12/30", "1394-10-18"]
    form = decide_form(gather_evidence(counted(*days)), column="c", table="t")
    assert form.era == "solar"
    read = parse_dates(pl.Series([*days, "1402/12/30"]), form)["value"].to_list()
    assert read == [
        dt.date(2020, 3, 20),
        dt.date(2020, 8, 2),
        dt.date(2025, 3, 20),
        dt.date(2016, 1, 8),
        dt.date(1402, 12, 30),
    ]  # the last is set aside as before 1900
    years = ["108/05/04", "099/12/31"]
    form = decide_form(gather_evidence(counted(*years)), column="c", table="t")
    assert parse_dates(pl.Series(years), form)["value"].to_list() == [dt.date(2019, 5, 4), dt.date(2010, 12, 31)]
    assert not decide_form(gather_evidence(counted("1399/05/12", "2019/03/01")), column="c", table="t").era


def test_points_behind_every_number():
    texts = ["2022.03.14.", "2022. 3. 15."]
    form = decide_form(gather_evidence(counted(*texts)), column="c", table="t")
    assert parse_dates(pl.Series(texts), form)["value"].to_list() == [dt.date(2022, 3, 14), dt.date(2022, 3, 15)]
    texts = ["14.03.2022.", "5. 3. 2022"]
    form = decide_form(gather_evidence(counted(*texts)), column="c", table="t")
    assert parse_dates(pl.Series(texts), form)["value"].to_list() == [dt.date(2022, 3, 14), dt.date(2022, 3, 5)]
