"""What a number proves about the decimal sign of its column."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.machine.errors import DataError
from pipeline.transforms.decimals import DecimalEvidence, decide_decimal, gather_decimals


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
    assert gather_decimals(pl.DataFrame({"text": [text], "n": [1]})) == DecimalEvidence(comma, point)


def test_the_sign_of_a_column():
    def decide(comma: int, point: int) -> str:
        return decide_decimal(DecimalEvidence(comma, point), column='f.csv: column "Fee" (fee)', table="procedures")

    assert [decide(0, 0), decide(0, 5), decide(5, 0)] == [".", ".", ","]
    assert [decide(199, 1), decide(1, 199)] == [",", "."]  # one slip in two hundred
    with pytest.raises(DataError) as error:
        decide(1, 2)
    for piece in ("f.csv", '"Fee"', "1 values", "2 a decimal point", 'decimal = ","', "[tables.procedures]"):
        assert piece in str(error.value)
