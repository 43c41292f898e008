from __future__ import annotations

import datetime as dt
from itertools import product

import polars as pl
import pytest
from xlsxwriter.workbook import Workbook

from pipeline.machine.errors import DataError
from pipeline.transforms.dates import DateForm, decide_form, gather_evidence, parse_dates, serial_date
from pipeline.transforms.month_names import MONTHS


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
        (["15/25/2020", "25/15/2020", "0/25/2020", "25/0/2020", "01/32/2020", "32/01/2020", "05/05/2020"], None),
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
        ("2020-03-01", DateForm(pattern="%m/%d/%Y", serial="1900"), "2020-03-01"),  # a date cell of a workbook
    ],
)
def test_one_date_in_one_form(text: str, form: DateForm, day: str | None):
    _, value, note = parse_dates(pl.Series([text]), form).row(0)
    assert value == (dt.date.fromisoformat(day) if day else None)
    assert note == (None if day else "unreadable")


@pytest.mark.parametrize("text", ["", "NULL", "n/a", "NaN", "NaT", "None", "0000-00-00", "00/00/0000", "0"])
def test_words_for_nothing_are_missing_and_no_fault(text: str):
    assert parse_dates(pl.Series([text]), DateForm()).row(0) == (text, None, None)


# What two digits and day numbers mean.


@pytest.mark.parametrize(
    ("text", "form", "day"),
    [
        ("01/25/50", DateForm(True, years_from=1950), "1950-01-25"),
        ("01/25/49", DateForm(True, years_from=1950), "2049-01-25"),
        ("25.01.00", DateForm(False, years_from=1950), "2000-01-25"),
        ("05-05-05", DateForm(years_from=1950), "2005-05-05"),
        ("01/25/68", DateForm(pattern="%m/%d/%y", years_from=1950), "1968-01-25"),  # 2068 by the rule of POSIX
        ("01/25/68", DateForm(pattern="%m/%d/%y", years_from=1970), "2068-01-25"),
        ("01/25/69", DateForm(pattern="%m/%d/%y", years_from=1970), "2069-01-25"),
        ("69-01-25", DateForm(pattern="%y-%m-%d", years_from=1970), "2069-01-25"),
        ("02/29/00", DateForm(pattern="%m/%d/%y", years_from=1950), "2000-02-29"),
        ("02/29/00", DateForm(pattern="%m/%d/%y", years_from=1900), None),  # 1900 was no leap year
        ("05-MAR-20", DateForm(years_from=1950), "2020-03-05"),
        ("05-MAR-20", DateForm(), None),
        ("01/25/2020", DateForm(True, years_from=1950), "2020-01-25"),
    ],
)
def test_two_digits_of_a_year(text: str, form: DateForm, day: str | None):
    found = parse_dates(pl.Series([text]), form)["value"].item()
    assert found == (dt.date.fromisoformat(day) if day else None)


def test_nobody_is_born_tomorrow():
    today = dt.date(2026, 1, 31)
    births = DateForm(True, years_from=1950, born_by=today)
    texts = pl.Series(["01/31/26", "02/01/26", "05/05/49", "05/05/50", "02/01/2026"])
    assert parse_dates(texts, births)["value"].to_list() == [
        dt.date(2026, 1, 31),
        dt.date(1926, 2, 1),
        dt.date(1949, 5, 5),
        dt.date(1950, 5, 5),
        dt.date(2026, 2, 1),  # a whole year is left as it was written
    ]


def test_a_pivot_settles_the_century_and_the_values_the_order():
    def decided(*texts: str) -> bool | None:
        counts = pl.DataFrame({"text": texts, "n": [1] * len(texts)})
        evidence = gather_evidence(counts)
        return decide_form(evidence, column="Date", table="procedures", years_from=1950).month_first

    assert decided("01/25/20", "01/02/20") is True
    assert decided("25.01.20", "01.02.20") is False
    assert decided("25-01-68", "01-02-20") is False  # no month has 68 days, so the year is last
    assert decided("25-01-31", "25-01-32") is False  # one that could have the year in front, and one that could not
    assert decided("01-12-20", "01-13-20") is True
    assert decided("05-MAR-20") is None
    with pytest.raises(DataError, match=r'2 of 2 dates fit both.*\n.*"%m/%d/%y"'):
        decided("01/02/20", "03/04/20")
    with pytest.raises(DataError, match="2 of 2 dates have a year of two digits that may come first or last"):
        decided("20-01-25", "21-03-04")
    with pytest.raises(DataError, match="1 of 2 dates have a year of two digits that may come first or last"):
        decided("20-01-25", "05-MAR-20")


def test_two_digits_without_a_pivot_are_refused_with_the_key_to_write():
    with pytest.raises(DataError, match="two_digit_years_from = 1950"):
        decide("01/25/20")
    with pytest.raises(DataError, match="two_digit_years_from = 1950"):
        decide("05-MAR-20")


# Days from the start of each system, counted by datetime; the 1900 system has a day too many, 1900-02-29.
@pytest.mark.parametrize(
    ("system", "text", "day"),
    [
        ("1900", "1", dt.date(1900, 1, 1)),
        ("1900", "59", dt.date(1900, 2, 28)),
        ("1900", "60", None),
        ("1900", "60.5", None),
        ("1900", "61", dt.date(1900, 3, 1)),
        ("1900", "43891", dt.date(2020, 3, 1)),
        ("1900", "43891.75", dt.date(2020, 3, 1)),
        ("1900", "43891,75", dt.date(2020, 3, 1)),
        ("1900", "2958465", dt.date(9999, 12, 31)),
        ("1900", "2958466", None),
        ("1900", "-1", None),
        ("1900", "0.5", None),
        ("1904", "1", dt.date(1904, 1, 2)),
        ("1904", "0.25", dt.date(1904, 1, 1)),
        ("1904", "42429", dt.date(2020, 3, 1)),
        ("1904", "2957003", dt.date(9999, 12, 31)),
        ("1904", "2957004", None),
    ],
)
def test_day_numbers(system: str, text: str, day: dt.date | None):
    assert parse_dates(pl.Series([text]), DateForm(serial=system))["value"].item() == day


def test_day_numbers_against_the_calendar_and_a_workbook_writer():
    days = [dt.date(1900, 3, 1) + dt.timedelta(days=n * 97) for n in range(1200)]
    for system, first, is_1904 in (("1900", dt.date(1899, 12, 30), False), ("1904", dt.date(1904, 1, 1), True)):
        wanted = [d for d in days if d >= first]
        texts = [str((d - first).days) for d in wanted]
        got = pl.DataFrame({"text": texts}).select(serial_date(pl.col("text"), system)).to_series()
        assert got.to_list() == wanted
        sheet = Workbook("unwritten.xlsx", {"date_1904": is_1904}).add_worksheet()
        assert [str(int(sheet._convert_date_time(d))) for d in wanted] == texts
    # The same number means days 1,462 apart.
    one = pl.DataFrame({"text": ["43891"]})
    gap = one.select((serial_date(pl.col("text"), "1904") - serial_date(pl.col("text"), "1900")).dt.total_days())
    assert gap.item() == 1462


def test_day_numbers_are_refused_unless_the_system_is_told():
    with pytest.raises(DataError, match=r'2 of 3 values are day numbers.*\n.*serial_dates = "1900"'):
        decide("43891", "43892.5", "2020-03-01")
    counts = pl.DataFrame({"text": ["43891", "01/25/2020"], "n": [1, 1]})
    form = decide_form(gather_evidence(counts), column="Date", table="procedures", serial="1900")
    assert form == DateForm(True, serial="1900")
    assert parse_dates(counts["text"], form)["value"].to_list() == [dt.date(2020, 3, 1), dt.date(2020, 1, 25)]
    assert decide_form(gather_evidence(counts[:1]), column="", table="", serial="1904") == DateForm(serial="1904")


@pytest.mark.parametrize("other", ["01/25/2020", "25/01/2020", "01/02/2020", "05/05/2020"])
def test_where_there_are_dates_too_day_numbers_are_not_said_to_be_all(other: str):
    with pytest.raises(DataError, match=r"^[^\n]*\(service_date\): 1 of 3 values are day numbers"):
        decide("43891", "2020-03-01", other)
    with pytest.raises(DataError, match="none of 1 values is a date that can be read; 1 of 1 values are day numbers"):
        decide("43891")


def test_a_year_alone_is_no_day_number_of_a_birth():
    births = DateForm(serial="1900", born_by=dt.date(2026, 1, 31))
    found = parse_dates(pl.Series(["1950", "20000"]), births)["value"].to_list()
    assert found == [None, dt.date(1954, 10, 3)]


@pytest.mark.parametrize(
    "text",
    [
        "5 Mar 2020", "05-MAR-2020", "Mar 5, 2020", "March 5th, 2020", "5. März 2020", "05. Mrz. 2020", "5 mars 2020",
        "5 de marzo de 2020", "5 de março de 2020", "5 maart 2020", "5 mrt. 2020", "5 marzo 2020", "2020-Mar-05",
        "5/Mar/2020", "05 March 2020 10:30", "2020-03-05T00:00:00Z", "20200305", "2020-03-05 00:00:00.000",
    ],
)  # fmt: skip
def test_forms_that_need_no_guess(text: str):
    assert decide(text) == DateForm()
    assert parse_dates(pl.Series([text]), DateForm())["value"].item() == dt.date(2020, 3, 5)


@pytest.mark.parametrize("text", ["5 Foo 2020", "31 Feb 2020", "Mar 2020", "5 Mar", "5 Mar 20200", "Mar Mar 2020"])
def test_what_is_no_date_with_a_named_month(text: str):
    assert parse_dates(pl.Series([text]), DateForm(years_from=1950))["note"].item() == "unreadable"


def test_every_month_has_its_names():
    assert {MONTHS[n] for n in ("jan", "ene", "gen", "janvier", "januar")} == {1}
    names = ["januar", "fevrier", "maart", "abril", "maggio", "junho", "juillet", "ago", "set", "out", "nov", "dic"]
    assert [MONTHS[n] for n in names] == list(range(1, 13))


@pytest.mark.parametrize("short", [False, True])
def test_which_orders_two_numbers_fit(short: bool):
    """Each pair stands in a power of two of rows, so that a count tells which pairs are in it."""
    pairs = list(product((0, 1, 12, 13, 31, 32), repeat=2))
    fits = {(a, b): (1 <= a <= 12 and 1 <= b <= 31, 1 <= a <= 31 and 1 <= b <= 12) for a, b in pairs}
    rows = [2**n for n in range(len(pairs))]
    written = [f"{a}/{b}/20" if short else f"{a}/{b}/2020" for a, b in pairs]
    evidence = gather_evidence(pl.DataFrame({"text": written, "n": rows}))

    def counted(name: str) -> set[tuple[int, int]]:
        return {pair for pair, n in zip(pairs, rows, strict=True) if getattr(evidence, name) & n}

    before = "short_" if short else ""
    assert counted(f"{before}month_first") == {pair for pair in pairs if fits[pair] == (True, False)}
    assert counted(f"{before}day_first") == {pair for pair in pairs if fits[pair] == (False, True)}
    both = {pair for pair in pairs if fits[pair] == (True, True)}
    if short:
        assert counted("short_either") == both
        assert evidence.short_no_day
    else:
        assert counted("either") == {(a, b) for a, b in both if a != b}
        assert counted("same") == {(a, b) for a, b in both if a == b}
        assert not evidence.short_no_day
    last = gather_evidence(pl.DataFrame({"text": [f"31/{a}/{b:02}" for a, b in pairs], "n": rows}))
    year_first = sum(n for pair, n in zip(pairs, rows, strict=True) if fits[pair][0])
    assert (last.short_maybe_first, last.short_no_day) == (year_first, False)


def test_what_a_column_is_said_to_hold_by_a_single_value_of_many():
    def seen(*texts: str | None):
        return gather_evidence(
            pl.DataFrame({"text": texts, "n": [1] * len(texts)}, schema_overrides={"text": pl.String})
        )

    assert seen(None, "", "n/a", "NULL", "0", "2020-03-05").filled == 1
    assert seen("2563-03-05", "2564-03-05").era
    assert not seen("2563-03-05", "2020-03-05").era
    assert seen("5 March 2020", "2020-03-06").year_first == 2
    assert seen("5 Mar 20", "6/7/20").short_named == 1
    # As many numbers last as first: only with a stroke between them may the year stand first.
    assert not seen("1/2/03").maybe_year_first
    assert seen("1-2-03").maybe_year_first
    assert seen("1/2/03", "1/2/04").maybe_year_first
    assert seen("1577836800").is_epoch
    assert decide_form(seen("1577836800"), column="a column", table="t") == DateForm(epoch=True)
    assert decide_form(seen("43831", "2020-01-01"), column="a column", table="t", serial="1900").serial == "1900"
    assert seen("Thu 13.02.2020").day_first == 1
    assert not seen("1577836800", "2020-01-01").is_epoch


@pytest.mark.parametrize(
    ("texts", "ordinary", "told"),
    [
        (["43831"], "2020-01-13", {}),
        (["13/1/20"], "2020-01-13", {}),
        (["20/1/03", "20/1/04"], "2020-01-13", {"years_from": 1950}),
        (["1/2/2020"], "2020-01-13", {}),
    ],
    ids=["day numbers", "two digits", "year first or last", "both orders"],
)
def test_one_in_a_hundred_is_refused_and_fewer_are_not(texts: list[str], ordinary: str, told: dict[str, int]):
    def decided(others: int) -> DateForm:
        evidence = gather_evidence(
            pl.DataFrame({"text": [*texts, ordinary], "n": [*[1] * len(texts), others]}),
        )
        return decide_form(evidence, column="a column", table="t", **told)

    with pytest.raises(DataError):
        decided(99 * len(texts))
    assert decided(99 * len(texts) + 1).month_first is (False if told else None)


def test_what_a_form_reads_beside_its_pattern():
    def read(text: str, **form: object) -> dt.date | None:
        return parse_dates(pl.Series([text]), DateForm(**form))["value"].item()  # type: ignore[arg-type]

    day = dt.date(2020, 1, 2)
    assert read("1577923200", epoch=True) == day
    assert read("1577923200") is None
    assert read("020120", pattern="%d%m%y", serial="1900") == day
    assert read("2020-02-01", pattern="%Y-%d-%m", serial="1900") == day
    assert read("2020-01-02", pattern="%d.%m.%Y", serial="1900") == day
    assert read("Thu 02.01.2020", month_first=False) == day
    assert read("Thu 02.01.2020", pattern="%a %d.%m.%Y") == day
    mixed = parse_dates(pl.Series(["2 January 2020", "2020-01-02"]), DateForm())
    assert mixed["value"].to_list() == [day, day]


@pytest.mark.parametrize(
    ("zone", "midnight"), [("UTC", "2020-01-02"), ("America/New_York", "2020-01-02"), ("Asia/Tokyo", "2020-01-03")]
)
def test_a_day_told_in_the_time_of_greenwich_is_the_one_whose_midnight_fell_on_it(zone: str, midnight: str):
    # Midnight of Tokyo's third of January is on the second in Greenwich; New York's of the second is later that day.
    texts = pl.Series(["2/1/2020", "2020-01-02"])
    read = parse_dates(texts, DateForm(month_first=False, zone=zone))["value"].cast(pl.String)
    assert read.to_list() == [midnight, "2020-01-02"]
