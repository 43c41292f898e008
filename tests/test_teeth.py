"""Tooth numbering against the rule of ISO 3950 and the whole-arch rule of the Universal system, made anew here."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.practice.teeth import parse_teeth, teeth, write_teeth

# ISO 3950: quadrants clockwise from the upper right as one looks at the patient; positions from the midline.
PERMANENT = [*range(18, 10, -1), *range(21, 29), *range(38, 30, -1), *range(41, 49)]
PRIMARY = [*range(55, 50, -1), *range(61, 66), *range(75, 70, -1), *range(81, 86)]
QUADRANTS = {1: "UR", 2: "UL", 3: "LL", 4: "LR", 5: "UR", 6: "UL", 7: "LL", 8: "LR"}


def test_universal_numbers_run_round_both_arches():
    universal = dict(zip(teeth()["universal"], teeth()["fdi"], strict=True))
    assert [universal[str(n)] for n in range(1, 33)] == PERMANENT
    assert [universal[letter] for letter in "ABCDEFGHIJKLMNOPQRST"] == PRIMARY
    assert teeth().height == 52


def test_every_tooth_follows_the_two_digits():
    for row in teeth().iter_rows(named=True):
        quadrant, position = divmod(row["fdi"], 10)
        is_primary = quadrant > 4
        assert row["dentition"] == ("primary" if is_primary else "permanent")
        assert row["palmer"] == QUADRANTS[quadrant] + ("ABCDE"[position - 1] if is_primary else str(position))
        group = "anterior" if position <= 3 else "molar" if is_primary or position >= 6 else "premolar"
        assert row["tooth_group"] == group
        extra = row["universal"] + "S" if is_primary else str(int(row["universal"]) + 50)
        assert row["universal_supernumerary"] == extra
        name = ("upper" if quadrant in (1, 2, 5, 6) else "lower") + (" right" if quadrant in (1, 4, 5, 8) else " left")
        assert row["name"].startswith(name)


@pytest.mark.parametrize(
    ("notation", "written", "fdi", "extra"),
    [
        ("universal", "14", 26, False),
        ("universal", "01", 18, False),
        ("universal", "1", 18, False),
        ("universal", "1.0", 18, False),
        ("universal", "#14", 26, False),
        ("universal", " 14 ", 26, False),
        ("universal", "a", 55, False),
        ("universal", "51", 18, True),
        ("universal", "82", 48, True),
        ("universal", "TS", 85, True),
        ("universal", "33", None, False),
        ("universal", "0", None, False),
        ("universal", "1.5", None, False),
        ("universal", "3-5", None, False),
        ("fdi", "11", 11, False),
        ("fdi", "11.0", 11, False),
        ("fdi", "1.1", None, False),  # an 11 in some notations, and a broken float in others
        ("fdi", "51", 51, False),
        ("fdi", "19", None, False),
        ("fdi", "1", None, False),
        ("palmer", "UR8", 18, False),
        ("palmer", "8UR", 18, False),
        ("palmer", "ur 8", 18, False),
        ("palmer", "URE", 55, False),
        ("palmer", "UR9", None, False),
        ("palmer", "8", None, False),
    ],
)
def test_a_written_tooth_in_its_notation(notation: str, written: str, fdi: int | None, extra: bool):
    found = parse_teeth(pl.Series([written]), notation=notation).row(0)
    assert found == (written, fdi, extra)


def test_eighteen_numbers_mean_other_teeth_in_the_two_number_notations():
    # Why the notation is never guessed.
    numbers = pl.Series([str(n) for n in range(1, 49)])
    universal = parse_teeth(numbers, notation="universal")["tooth_fdi"]
    fdi = parse_teeth(numbers, notation="fdi")["tooth_fdi"]
    both = [(u, f) for u, f in zip(universal, fdi, strict=True) if u is not None and f is not None]
    assert len(both) == 18
    assert all(u != f for u, f in both)


@pytest.mark.parametrize("notation", ["universal", "fdi", "palmer"])
def test_every_tooth_is_written_so_that_it_is_read_again(notation: str):
    numbers = pl.Series("tooth_fdi", [*PERMANENT, *PRIMARY], dtype=pl.UInt8)
    written = write_teeth(numbers, notation=notation)
    assert written.n_unique() == 52
    assert parse_teeth(written, notation=notation)["tooth_fdi"].to_list() == numbers.to_list()


def test_teeth_are_written_as_the_notations_have_them():
    numbers = pl.Series([16, 55, None, 99])
    assert write_teeth(numbers, notation="universal").to_list() == ["3", "A", None, None]
    assert write_teeth(numbers, notation="fdi").to_list() == ["16", "55", None, None]
    assert write_teeth(numbers, notation="palmer").to_list() == ["UR6", "URE", None, None]
