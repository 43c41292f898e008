"""What a number proves about the decimal sign of its column."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.machine.errors import DataError
from pipeline.transforms.parsers import DecimalEvidence, decide_decimal, gather_decimals, parse_fees


@pytest.mark.parametrize(
    ("text", "comma", "point"),
    [
        ("12,5", 1, 0),
        ("12,50", 1, 0),
        ("1.234,56", 1, 0),
        ("1.234,567", 1, 0),
        ("1234,567", 1, 0),
        ("0,125", 1, 0),
        ("1.234.567", 1, 0),
        ("-12,50 €", 1, 0),
        ("(12,50)", 1, 0),
        ("12.5", 0, 1),
        ("1,234.56", 0, 1),
        ("1,234,567", 0, 1),
        ("1'234.50", 0, 1),
        (".5", 0, 1),
        ("1,234", 0, 0),  # a thousand or a fraction
        ("1.234", 0, 0),
        ("120.-", 0, 0),
        ("1200", 0, 0),
        ("1.23,4.5", 0, 0),
        (",", 0, 0),
        ("free", 0, 0),
    ],
)
def test_one_number(text: str, comma: int, point: int):
    found = gather_decimals(pl.DataFrame({"text": [text], "n": [1]}))
    assert found == DecimalEvidence(comma, point, either=int(text in ("1,234", "1.234")))


def test_the_sign_of_a_column():
    def decide(comma: int, point: int, either: int = 1) -> str:
        return decide_decimal(
            DecimalEvidence(comma, point, either), column='f.csv: column "Fee" (fee)', table="procedures"
        )

    for either in (0, 1):
        assert [decide(0, 0, either), decide(0, 5, either), decide(5, 0, either)] == [".", ".", ","]
        assert [decide(199, 1, either), decide(1, 199, either)] == [",", "."]  # one slip in two hundred
    assert decide(1, 2, 0) == "each"
    with pytest.raises(DataError) as error:
        decide(1, 2)
    for piece in ("f.csv", '"Fee"', "1 value has", "2 a decimal point", 'decimal = ","', "[tables.procedures]"):
        assert piece in str(error.value)


def test_each_number_by_its_own_sign():
    texts = ["1,200.50", "1.200,50", "12,5", "12.5", "1200", "1.200", "1,200", "-3,10"]
    read = parse_fees(pl.Series(texts), decimal="each")["value"].to_list()
    assert read == [1200.5, 1200.5, 12.5, 12.5, 1200, None, None, -3.1]
