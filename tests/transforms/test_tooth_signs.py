"""Teeth by Palmer's corners and by Haderup's plus and minus."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.transforms.tooth_lists import parse_tooth_lists


@pytest.mark.parametrize(
    ("text", "palmer", "elsewhere"),
    [
        ("6⏌", 16, 16),
        ("6┘", 16, 16),
        ("└6", 26, 26),
        ("⎾ 6", 36, 36),
        ("6┐", 46, 46),
        ("6_|", 16, 16),
        ("|_6", 26, 26),
        ("|‾6", 36, 36),
        ("E⏌", 55, 55),
        ("6+", 16, None),
        ("+6", 26, None),
        ("-6", 36, None),
        ("6-", 46, None),
        ("05+", 55, None),
        ("06+", None, None),  # a primary tooth has no sixth place
        ("6|", None, None),  # the side and not the jaw
        ("9⏌", None, None),
    ],
)
def test_signs(text: str, palmer: int | None, elsewhere: int | None):
    for notation, meant in (("palmer", palmer), ("fdi", elsewhere), ("universal", elsewhere)):
        assert parse_tooth_lists(pl.Series([text]), notation=notation)["tooth_fdi"].to_list() == [meant], notation


def test_several_signs_in_a_cell():
    read = parse_tooth_lists(pl.Series(["1+, +1", "6⏌ 7⏌", "1+, 9"]), notation="palmer")
    assert [None if t is None else list(t) for t in read["all_fdi"]] == [[11, 21], [16, 17], None]


def test_a_plus_between_teeth_joins_them_and_one_at_the_edge_is_read_by_palmer_alone():
    read = parse_tooth_lists(pl.Series(["14 + 15", "14+15", "+6", "6+", "3, +6"]), notation="universal")
    assert [None if t is None else list(t) for t in read["all_fdi"]] == [[26, 27], [26, 27], None, None, None]
    assert read["tooth_fdi"].to_list() == [None] * 5
