"""Colours have plain names, stripes are no looks, and marked cells come out as they went in."""

from __future__ import annotations

import pytest

from pipeline.reading.sources.row_looks import (
    COLOURED,
    HIDDEN,
    STRUCK,
    colour_name,
    is_decoration,
    marked,
    row_looks,
    unmarked,
)


@pytest.mark.parametrize(
    ("told", "name"),
    [
        ("BFBFBF", "grey"),
        ("#c00", "red"),
        ("rgb(255, 255, 0)", "yellow"),
        ("LightGray", "grey"),
        ("#92D050", "green"),
        ("#ffffff", ""),
        ("transparent", ""),
        ("000000", "black"),
    ],
)
def test_colours_have_plain_names(told: str, name: str):
    assert colour_name(told) == name


def test_black_letters_are_no_look():
    assert colour_name("#000000", is_text=True) == colour_name("black", is_text=True) == ""


def test_stripes_and_one_colour_for_all_are_decoration():
    assert is_decoration(COLOURED, dict.fromkeys(range(2, 21, 2), "blue"), 20)
    assert is_decoration(COLOURED, dict.fromkeys(range(2, 21), "blue"), 20)
    assert not is_decoration(COLOURED, {5: "grey", 6: "grey", 7: "grey"}, 20)
    assert not is_decoration(COLOURED, dict.fromkeys(range(11, 21), "grey"), 20)  # the lower half: planned work, say
    assert not is_decoration(HIDDEN, dict.fromkeys(range(2, 21, 2), "yes"), 20)


def test_a_row_has_the_look_of_most_of_its_cells():
    grey, struck = {COLOURED: "grey"}, {STRUCK: "yes"}
    assert row_looks([grey, grey, {}, {}], filled=4) == {COLOURED: "grey"}
    assert row_looks([grey, {}, {}, {}], filled=4) == {}
    assert row_looks([struck, {}, {}, {}], filled=4) == {STRUCK: "in part"}
    assert row_looks([struck | grey] * 4, filled=4) == {STRUCK: "yes"}  # one answer a row is enough


def test_marked_cells_come_out_plain():
    rows = [
        ["Chart", "Code"],
        [marked("P1", {STRUCK: "yes"}), marked("D2740", {STRUCK: "yes", HIDDEN: "yes"})],
        ["", ""],
    ]
    plain, looks = unmarked(rows)
    assert plain == [["Chart", "Code"], ["P1", "D2740"], ["", ""]]
    assert looks == {STRUCK: {2: "yes"}, HIDDEN: {2: "yes"}}
