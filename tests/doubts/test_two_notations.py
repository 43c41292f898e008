"""Teeth of another notation are rewritten; whether there are two is seen by what only one of them has."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.reading.doubts.tooth_numbers import FILE, TeethBy, rewritten, two_notations


@pytest.mark.parametrize(
    ("fdi", "universal"),
    [("16", "3"), ("#36", "#19"), ("11, 21", "8, 9"), ("18-16", "1-3"), ("55", "A"), ("99", "?"), ("MOD", "MOD")],
)
def test_fdi_numbers_in_universal(fdi: str, universal: str):
    assert rewritten(pl.Series([fdi, None]), written="fdi", notation="universal").to_list() == [universal, None]


def test_universal_numbers_in_fdi():
    texts = pl.Series(["3", "03", "A", "30 MOD"])
    assert rewritten(texts, written="universal", notation="fdi").to_list() == ["16", "16", "55", "46 MOD"]


def seen(**by_office: list[int]) -> dict[str, TeethBy]:
    rows = pl.DataFrame(
        [(office, str(n)) for office, of in by_office.items() for n in of], schema=["Office", "Th"], orient="row"
    )
    one = TeethBy()
    one.add(rows, rows.select(tooth="Th"), pl.DataFrame(), ["Office"])
    return {"ledger.csv": one}


def test_offices_that_prove_two_notations_are_asked_about():
    (doubt,) = two_notations("procedures", seen(North=[3, 19, 30], South=[16, 36, 38]), "universal")
    assert doubt.answers[0][1] == 'tooth_notation_by."Office" = { "South" = "fdi" }'
    (doubt,) = two_notations("procedures", seen(North=[3, 19, 30], South=[16, 36, 38]), "fdi")
    assert doubt.answers[0][1] == 'tooth_notation_by."Office" = { "North" = "universal" }'


def test_one_notation_with_a_slip_is_not():
    assert two_notations("procedures", seen(North=[3, 19, 30], South=[14, 19, 38]), "universal") == []
    assert two_notations("procedures", seen(North=[3, 19, 30], South=[14, 15, 12]), "universal") == []


def test_a_mix_that_no_column_parts_is_asked_about():
    mixed = [19, 30, 29, 20, 10, 36, 46, 47, 37, 38]
    (doubt,) = two_notations("procedures", seen(North=mixed, South=mixed), "universal")
    assert "no column parts them" in doubt.evidence


def test_files_are_told_by_name():
    files = {name: of["ledger.csv"] for name, of in (("a.csv", seen(X=[3, 19, 30])), ("b.csv", seen(X=[16, 36, 38])))}
    (doubt,) = two_notations("procedures", files, "universal")
    assert doubt.answers[0][1] == f'tooth_notation_by."{FILE}" = {{ "b.csv" = "fdi" }}'
