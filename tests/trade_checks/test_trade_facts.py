"""Trade facts by hand: dilutions, file sizes and canals."""

import polars as pl
import pytest

from pipeline.practice.file_sizes import SIZES
from pipeline.practice.solutions import diluted, made_from
from pipeline.questions.trade_checks.rules import canals_out_of_range


@pytest.mark.parametrize(
    ("stock", "three", "one", "two"),
    [(5.25, 1.3125, 2.625, 1.75), (6, 1.5, 3.0, 2.0), (8.25, 2.0625, 4.125, 2.75)],
)
def test_dilution(stock: float, three: float, one: float, two: float):
    assert [diluted(stock, water=w) for w in (3, 1, 2)] == [three, one, two]


@pytest.mark.parametrize(
    ("percent", "said"),
    [
        (5.25, ("stock of 5.25 %",)),
        (1.31, ("3 parts water to 1 part of 5.25 %",)),
        (1.5, ("3 parts water to 1 part of 6 %",)),
        (2.06, ("3 parts water to 1 part of 8.25 %",)),
        (3.0, ("1 part water to 1 part of 6 %",)),
        (2.5, ()),
    ],
)
def test_a_strength_is_named(percent: float, said: tuple[str, ...]):
    assert made_from(percent) == said


def test_no_stock_is_no_dilution():
    with pytest.raises(ValueError, match="some stock"):
        diluted(6, water=1, stock=0)


def test_sizes_of_hand_files():
    assert SIZES == (6, 8, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 70, 80, 90, 100, 110, 120, 130, 140)


def test_canals_by_tooth():
    # An upper first molar with one, an incisor with four, a lower molar with three; a milk tooth is not judged.
    rows = pl.DataFrame({"tooth_fdi": [16, 26, 11, 46, 55, None], "canals": [1, 4, 4, 3, 1, 9]})
    assert rows.select(canals_out_of_range()).to_series().to_list() == [True, False, True, False, None, None]
