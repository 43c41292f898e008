"""The forms of cells: the table and README.md say the same, every example is read as the table says, nothing more is."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.practice.codes import BUILT_IN, built_in, normal_code, normalise_code
from pipeline.transforms.cell_forms import FORMS, columns_with_marks, has_marks, plain_cells, without_marks
from pipeline.transforms.code_cells import UNCLEAR, read_codes
from pipeline.transforms.parsers import parse_fees
from pipeline.transforms.tooth_lists import parse_tooth_lists

README = Path(__file__).parents[2] / "README.md"
CDT = frozenset(built_in("cdt")["code"])


def codes(*texts: str, known: frozenset[str] = CDT, system: str = "cdt") -> list[tuple[object, ...]]:
    return read_codes(pl.Series(texts), known=known, system=system).select("value", "form", "fault").rows()


def teeth(text: str, notation: str) -> tuple[object, ...]:
    return parse_tooth_lists(pl.Series([text]), notation=notation).select("tooth_fdi", "surfaces", "form").row(0)


def table_as_markdown() -> str:
    """The table as README.md shows it."""
    where = {"any": "any cell", "tooth": "tooth", "code": "code", "fee": "fee"}
    lines = ["| column | a cell like | is read as | because |", "| --- | --- | --- | --- |"]
    lines += [f"| {where[f.field]} | `{f.example}` | {f.read_as} | {f.rule} |" for f in FORMS]
    return "\n".join(lines)


def test_readme_shows_the_table():
    assert table_as_markdown() in README.read_text(encoding="utf-8")
    assert len({form.name for form in FORMS}) == len(FORMS)


@pytest.mark.parametrize(
    ("written", "meant"),
    [('="14"', "14"), ("'14", "14"), ("１４", "14"), ("1\u200b4", "14"), ("14\u00a0", "14 "), ("'D2740", "D2740"),
     *((chr(zero + 2) + chr(zero + 6), "26") for zero in (0x0660, 0x06F0, 0x0966, 0x09E6, 0x0E50, 0xFF10)),
     ("'t Hooft", "'t Hooft"), ("=1+2", "=1+2"), ("O'Hara 5", "O'Hara 5"), ("Müller", "Müller")],
)  # fmt: skip
def test_signs_are_taken_off_and_texts_stay(written: str, meant: str):
    column = pl.Series([written])
    assert without_marks(column)[0] == meant
    assert written == meant or has_marks(column)


@pytest.mark.thorough
@given(st.text(max_size=12))
@settings(deadline=None, max_examples=60)
def test_a_text_that_shows_no_mark_is_left_alone(text: str):
    column = pl.Series([text])
    if not has_marks(column):
        assert without_marks(column)[0] == text


def test_few_cells_with_signs_become_what_all_would():
    rows = pl.DataFrame(
        {"some": ["14", None, "'14", "O'Hara", '="7"'], "none": ["14", "", "-", None, "x"], "n": range(5)}
    )
    assert columns_with_marks(rows.with_columns(none=pl.lit("14"))) == {"some"}
    assert columns_with_marks(rows.select("n")) == set()
    assert (
        plain_cells(rows["some"]).to_list()
        == without_marks(rows["some"]).to_list()
        == ["14", None, "14", "O'Hara", "7"]
    )
    assert rows["some"][2] == "'14"  # what it was made of stays


@pytest.mark.parametrize(
    ("text", "notation", "found"),
    [("Tooth #14", "universal", (26, None, "word")), ("(14)", "universal", (26, None, "brackets")),
     ("14MOD", "universal", (26, "MOD", "surfaces")), ("14 DO", "universal", (26, "DO", "surfaces")),
     ("36-MO", "fdi", (36, "MO", "surfaces")), ("UR6 MO", "palmer", (16, "MO", "surfaces")),
     ("upper right 6", "fdi", (16, None, "named")), ("upper right 6", "palmer", (16, None, "named")),
     ("lower left 6", "universal", (36, None, "named")), ("upper left 14", "universal", (26, None, "named")),
     ("upper right first molar", "universal", (16, None, "tooth_name")),
     ("upper right 6", "universal", (None, None, None)), ("14MM", "universal", (None, None, None)),
     ("33MOD", "universal", (None, None, None)), ("BL", "universal", (None, None, None)),
     ("14XY", "universal", (None, None, None)), ("14", "universal", (26, None, None))],
)  # fmt: skip
def test_teeth_by_form(text: str, notation: str, found: tuple[object, ...]):
    assert teeth(text, notation) == found


# The same quadrant in every way that is known, by jaw and side in either order, in the order of ISO 3950.
_UPPER = ("upper", "maxillary", "max", "oben", "Oberkiefer", "OK")
_LOWER = ("lower", "mandibular", "mand", "unten", "Unterkiefer", "UK")
_RIGHT, _LEFT = ("right", "rt", "rechts", "re"), ("left", "lt", "links", "li")
_QUADRANTS = (
    (_UPPER, _RIGHT, "右", "上"),
    (_UPPER, _LEFT, "左", "上"),
    (_LOWER, _LEFT, "左", "下"),
    (_LOWER, _RIGHT, "右", "下"),
)
_TEETH = ("central incisor", "lateral incisor", "canine", "1st premolar", "second bicuspid", "first molar", "2nd molar")


@pytest.mark.parametrize("quadrant", [1, 2, 3, 4])
def test_a_quadrant_is_the_same_in_all_its_words(quadrant: int):
    jaws, sides, side, jaw = _QUADRANTS[quadrant - 1]
    words = [text for one in jaws for other in sides for text in (f"{one} {other}", f"{other}-{one}", f"{one}.{other}")]
    eastern = (f"{side}{jaw}", f"{jaw}{side}", f"{jaw}顎{side}側", f"{side}側{jaw}顎", f"{side}{jaw}顎")
    short = ("UR", "UL", "LL", "LR")[quadrant - 1]
    roman = ("I", "II", "III", "IV")[quadrant - 1]
    cells = [f"{text} {place}" for text in (*words, short, ".".join(short)) for place in (1, 6)]
    cells += [f"{text}{place}{sign}" for text in eastern for place in (1, 6) for sign in ("", "番")]
    read = {cell: teeth(cell, "fdi")[0] for cell in cells}
    assert {cell: fdi for cell, fdi in read.items() if fdi != 10 * quadrant + (6 if "6" in cell else 1)} == {}
    named = [teeth(f"{jaws[0]} {sides[0]} {name}", "fdi")[0] for name in _TEETH]
    assert named == [10 * quadrant + place for place in range(1, 8)]
    assert teeth(f"{roman}/6", "fdi")[0] == 10 * quadrant + 6


@pytest.mark.parametrize(
    ("text", "value", "form"),
    [("D2740", "D2740", None), ("2740", "D2740", None), ("02740", "D2740", "zero_for_d"), ("120", "D0120", "lost_zero"),
     ("D2740.1", "D2740", "suffix"), ("D-2740", "D2740", "sign_after_d"), ("CDT 2740", "D2740", "list_name"),
     ("D2740 - Crown", "D2740", "words"), ("Crown (D2740)", "D2740", "words"), ("2740: crown 3/4", "D2740", "words"),
     ("2,740", "2,740", None), ("12", "12", None), ("X120", "X120", None)],
)  # fmt: skip
def test_codes_by_form(text: str, value: str, form: str | None):
    assert codes(text) == [(value, form, None)]


def test_an_own_code_comes_before_every_form():
    own = CDT | {"120", "D2740.1", "02740"}
    assert codes("120", "D2740.1", "02740", known=own) == [(c, None, None) for c in ("120", "D2740.1", "02740")]


def test_a_lost_zero_with_two_answers_is_none():
    assert codes("12", known=frozenset({"012", "0012"}), system="own.csv") == [("12", None, None)]


@pytest.mark.parametrize("text", ["VOID D2740", "D2740 - planned", "D2740 cancelled", "D2740 replaces D2750"])
def test_a_code_that_its_words_deny_is_unclear(text: str):
    assert codes(text) == [(None, None, UNCLEAR)]


@pytest.mark.parametrize("text", ["D2740; D2950", "2740, 2950", "D2740+D2950", "D2740 - Crown\nD2950 - Core, pins"])
def test_several_codes(text: str):
    read = read_codes(pl.Series([text]), known=CDT, system="cdt")
    assert read.select("value", "form", "all_codes").row(0) == (None, "several", ["D2740", "D2950"])


@pytest.mark.parametrize("text", ["D2740; D2950 cancelled", "VOID D2740, D2950", "2,740"])
def test_several_codes_of_which_words_deny_one_and_thousands_are_none(text: str):
    read = read_codes(pl.Series([text]), known=CDT | {"002", "740"}, system="cdt")
    assert read["form"].to_list() != ["several"]


@given(st.text(alphabet="dD0123456789. *Ä(WK)nv", max_size=9), st.sampled_from(BUILT_IN))
@settings(deadline=None, max_examples=100)
def test_one_code_is_brought_to_normal_form_as_a_column_is(text: str, system: str):
    column = pl.DataFrame({"text": [text]}).select(normalise_code(pl.col("text"), system=system))
    assert normal_code(text, system=system) == column.item()


def test_credits_are_below_zero():
    texts = pl.Series(["1350.00CR", "1,350.00 cr", "1350.00DR", "<1350.00>", "-1350.00CR"])
    assert parse_fees(texts)["value"].to_list() == [-1350.0, -1350.0, 1350.0, -1350.0, None]
