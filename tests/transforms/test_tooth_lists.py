"""Several teeth in one cell, beside the teeth that they are."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.transforms.tooth_lists import AREA, UNKNOWN, parse_tooth_lists


def read(text: str, notation: str) -> list[int] | str | None:
    """FDI numbers of the teeth, or what is wrong."""
    row = parse_tooth_lists(pl.Series([text]), notation=notation).row(0, named=True)
    if row["fault"]:
        assert (row["tooth_fdi"], row["all_fdi"]) == (None, None)
        return row["fault"]
    if row["all_fdi"] is not None:
        assert row["tooth_fdi"] is None
        assert len(row["all_fdi"]) == len(row["all_supernumerary"]) > 1
        return row["all_fdi"]
    return [row["tooth_fdi"]]


@pytest.mark.parametrize(
    ("text", "teeth"),
    [
        ("3", [16]),
        ("3.0", [16]),
        *[(f"3{sign}4", [16, 15]) for sign in (",", ";", "/", " ", " & ", "+", ", ", " and ", ",,", "\n")],
        *[(f"3{sign}5", [16, 15, 14]) for sign in ("-", " - ", "–", " to ", "−", " bis ")],
        ("5-3", [14, 15, 16]),  # in the order written
        ("18, 19-21", [37, 36, 35, 34]),
        ("#3, #4", [16, 15]),
        ("#3#4", [16, 15]),
        ("03,04.0", [16, 15]),
        ("3,3,4,3-4", [16, 15]),  # each once
        ("3,3", [16]),
        ("3,", [16]),
        ("7-10", [12, 11, 21, 22]),
        ("a-c", [55, 54, 53]),
        ("A,T", [55, 85]),
        ("1-6", [18, 17, 16, 15, 14, 13]),
        ("1 4", [18, 15]),  # and not 14
        ("16-17", UNKNOWN),  # the two arches
        ("1-32", UNKNOWN),
        ("1-A", UNKNOWN),
        ("3,4,40", UNKNOWN),
        ("3-", UNKNOWN),
        ("-3", UNKNOWN),
        ("3-4-5", UNKNOWN),
        ("3.4", UNKNOWN),  # a list that a spreadsheet took for a number, perhaps
        ("345", UNKNOWN),
        ("?", UNKNOWN),
        (",", UNKNOWN),
        ("51-53", UNKNOWN),  # extra teeth have no order
        ("3," * 200, UNKNOWN),
        ("UR", AREA),
        ("ul quadrant", AREA),
        ("Upper Right", AREA),
        ("maxilla", AREA),
        ("00", AREA),
        ("10", [22]),
        ("20", [35]),
    ],
)
def test_universal(text: str, teeth: list[int] | str):
    assert read(text, "universal") == teeth


@pytest.mark.parametrize(
    ("text", "teeth"),
    [
        ("16", [16]),
        ("16.0", [16]),
        ("16,17", [16, 17]),
        ("11-13", [11, 12, 13]),
        ("12-22", [12, 11, 21, 22]),
        ("22-12", [22, 21, 11, 12]),
        ("32-42", [32, 31, 41, 42]),
        ("18-28", [18, 17, 16, 15, 14, 13, 12, 11, 21, 22, 23, 24, 25, 26, 27, 28]),
        ("28-18", [28, 27, 26, 25, 24, 23, 22, 21, 11, 12, 13, 14, 15, 16, 17, 18]),
        ("52-62", [52, 51, 61, 62]),
        ("1.6", [16]),
        ("1.6, 1.7", [16, 17]),
        ("1.1-2.1", [11, 21]),
        ("1-6", UNKNOWN),
        ("1.9", UNKNOWN),
        ("13-43", UNKNOWN),  # upper to lower
        ("13-53", UNKNOWN),  # permanent to primary
        ("11.12", UNKNOWN),
        ("01", AREA),
        ("06", AREA),
        ("10", AREA),
        ("40", AREA),
        ("9", UNKNOWN),
        ("10,11", UNKNOWN),
    ],
)
def test_fdi(text: str, teeth: list[int] | str):
    assert read(text, "fdi") == teeth


@pytest.mark.parametrize(
    ("text", "teeth"),
    [
        ("ur 8", [18]),
        ("8UR", [18]),
        ("UR3-UR5", [13, 14, 15]),
        ("UR3-5", [13, 14, 15]),
        ("UR3, 4", [13, 14]),
        ("UR 2 - UL 2", [12, 11, 21, 22]),
        ("3UR-5UR", [13, 14, 15]),
        ("URA,URB", [51, 52]),
        ("UR3 UR4", [13, 14]),
        ("3,4", UNKNOWN),
        ("UR3-LR3", UNKNOWN),
        ("UR9", UNKNOWN),
        ("UR3;?", UNKNOWN),
        ("UR", AREA),
        ("10", AREA),
    ],
)
def test_palmer(text: str, teeth: list[int] | str):
    assert read(text, "palmer") == teeth


def test_extra_teeth_in_a_list():
    row = parse_tooth_lists(pl.Series(["14, 64"]), notation="universal").row(0, named=True)
    assert (row["all_fdi"], row["all_supernumerary"]) == ([26, 26], [False, True])


@pytest.mark.parametrize(("text", "tooth"), [("41S", 41), ("#18s", 18), ("84S", 84), (" 11S ", 11), ("19S", None)])
def test_an_extra_tooth_is_read_in_a_cell_as_it_is_alone(text: str, tooth: int | None):
    # So the readers of claim files and of FHIR write it; ISO 3950 has no number for it.
    row = parse_tooth_lists(pl.Series([text]), notation="fdi").row(0, named=True)
    assert (row["tooth_fdi"], row["supernumerary"]) == (tooth, tooth is not None)
    assert row["fault"] == (None if tooth else UNKNOWN)


def test_extra_teeth_in_a_list_of_two_digits():
    row = parse_tooth_lists(pl.Series(["26, 26S"]), notation="fdi").row(0, named=True)
    assert (row["all_fdi"], row["all_supernumerary"]) == ([26, 26], [False, True])


def test_no_text_is_no_fault():
    assert parse_tooth_lists(pl.Series([None], dtype=pl.String), notation="fdi")["fault"].to_list() == [None]
