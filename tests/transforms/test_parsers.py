from __future__ import annotations

import polars as pl
import pytest

from pipeline.transforms.parsers import parse_fees, parse_flags, parse_numbers, parse_words


@pytest.mark.parametrize(
    ("text", "amount"),
    [
        ("1200", 1200.0),
        ("1,200.00", 1200.0),
        ("$1,200", 1200.0),
        ("1,234,567.8", 1234567.8),
        ("1,03,600.00", 103600.0),
        ("12,34,56,789", 123456789.0),
        ("1,3,600", None),
        ("1,03,60.00", None),
        ("-1200", -1200.0),
        ("−1200", -1200.0),
        ("-$1,200", -1200.0),
        ("1200-", -1200.0),
        ("(1,200.00)", -1200.0),
        ("$(5)", -5.0),
        (" 5 ", 5.0),
        ("0", 0.0),
        (".5", 0.5),
        ("5.", 5.0),
        ("1200,50", None),  # a decimal comma must not become 120,050
        ("12,00.00", None),
        ("(5", None),
        ("5 CR", -5.0),
        ("1e3", None),
        ("--5", None),
        ("9" * 400, None),
    ],
)
def test_fees(text: str, amount: float | None):
    assert parse_fees(pl.Series([text])).row(0) == (text, amount, None if amount is not None else "unreadable")


@pytest.mark.parametrize(
    ("text", "value", "note"),
    [
        ("3", 3.0, None),
        ("3.0", 3.0, None),
        ("5", 5.0, None),
        ("6", None, "out_of_range"),
        ("0", None, "out_of_range"),
        ("2.5", None, "out_of_range"),
        ("-3", None, "out_of_range"),
        ("three", None, "unreadable"),
        ("n/a", None, None),
    ],
)
def test_whole_numbers_within_a_range(text: str, value: float | None, note: str | None):
    assert parse_numbers(pl.Series([text]), low=1, high=5, whole=True).row(0) == (text, value, note)


def test_numbers_with_their_unit():
    found = parse_numbers(pl.Series(["5.25 %", "2 mm", "-1.5"]), low=-15, high=30, whole=False)
    assert found["value"].to_list() == [5.25, 2.0, -1.5]


def test_flags():
    texts = ["Yes", "y", "TRUE", "1", "1.0", "No", "n", "false", "0", "maybe", "NULL"]
    found = parse_flags(pl.Series(texts))
    assert found["value"].to_list() == [True] * 5 + [False] * 4 + [None] * 2
    assert found["note"].to_list() == [None] * 9 + ["unrecognised", None]


def test_words_are_compared_without_case_blanks_and_hyphens():
    words = {"metalceramic": "metal_ceramic", "pfm": "metal_ceramic", "dontknow": ""}
    found = parse_words(pl.Series(["Metal Ceramic", "metal-ceramic", "PFM", "Don't know", "dont know", "gold"]), words)
    assert found["value"].to_list() == ["metal_ceramic"] * 3 + [None, None, None]
    assert found["note"].to_list() == [None] * 3 + ["unrecognised", None, "unrecognised"]


@pytest.mark.parametrize(
    ("text", "decimal", "amount"),
    [
        ("12,5", ",", 12.5),
        ("1.234,56", ",", 1234.56),
        ("1.234", ",", 1234.0),
        ("1.234.567", ",", 1234567.0),
        ("12.5", ",", None),
        ("1,234.56", ",", None),
        ("-1.234,56", ",", -1234.56),
        ("(12,50)", ",", -12.5),
        ("12,50-", ",", -12.5),
        ("1 234,50", ",", 1234.5),
        ("1\u202f234,50 €", ",", 1234.5),
        ("1'234.50", ".", 1234.5),
        ("1’234.50", ".", 1234.5),
        ("CHF 120.-", ".", 120.0),  # a dash for no cents, not a minus
        ("120,--", ",", 120.0),
        ("120.50-", ".", -120.5),
        ("EUR 12,50", ",", 12.5),
        ("12,50 eur", ",", 12.5),
        ("-12,50 kr.", ",", -12.5),
        ("kr 1.200", ",", 1200.0),
        ("R$ 1.200,50", ",", 1200.5),
        ("(EUR 5)", ".", -5.0),
        ("1,234", ".", 1234.0),
        ("EURO", ",", None),
    ],
)
def test_fees_of_many_countries(text: str, decimal: str, amount: float | None):
    assert parse_fees(pl.Series([text]), decimal=decimal)["value"].item() == amount


def test_numbers_with_a_decimal_comma():
    found = parse_numbers(pl.Series(["5,25 %", "2,0", "2.0"]), low=0, high=20, whole=False, decimal=",")
    assert found.rows() == [("5,25 %", 5.25, None), ("2,0", 2.0, None), ("2.0", None, "unreadable")]
