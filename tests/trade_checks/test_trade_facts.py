"""Trade facts by hand: dilutions, file sizes, diameters and canals."""

import polars as pl
import pytest

from pipeline.questions.trade_checks.canals import canals_out_of_range, plausible_canals
from pipeline.questions.trade_checks.files import SIZES, diameter_at, nearest_sizes
from pipeline.questions.trade_checks.solutions import diluted, made_from, readings_of_ratio


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


def test_one_to_three_is_read_in_two_ways():
    assert readings_of_ratio(6, first=1, second=3) == (1.5, 2.0)


def test_no_stock_is_no_dilution():
    with pytest.raises(ValueError, match="some stock"):
        diluted(6, water=1, stock=0)


def test_sizes_of_hand_files():
    assert SIZES == (6, 8, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 70, 80, 90, 100, 110, 120, 130, 140)
    assert (nearest_sizes(30), nearest_sizes(32), nearest_sizes(65), nearest_sizes(150)) == (
        (30,), (30, 35), (60, 70), (140,),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("size", "taper", "mm", "diameter"),
    [(30, 0.02, 3, 0.36), (25, 0.06, 2, 0.37), (25, 0.08, 1, 0.33), (40, 0.04, 3, 0.52), (10, 0.02, 16, 0.42)],
)
def test_diameter_along_a_file(size: int, taper: float, mm: float, diameter: float):
    assert diameter_at(size, taper=taper, from_tip_mm=mm) == pytest.approx(diameter)


def test_canals_by_tooth():
    # An upper first molar with one, an incisor with four, a lower molar with three; a milk tooth is not judged.
    rows = pl.DataFrame({"tooth_fdi": [16, 26, 11, 46, 55, None], "canals": [1, 4, 4, 3, 1, 9]})
    assert rows.select(canals_out_of_range()).to_series().to_list() == [True, False, True, False, None, None]
    assert (plausible_canals(26), plausible_canals(41)) == ((2, 5), (1, 2))
    with pytest.raises(ValueError, match="permanent"):
        plausible_canals(55)
