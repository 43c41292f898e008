"""What lists beside a ledger, words that stand together, and codes in a cell show of its columns."""

from __future__ import annotations

import tomllib
from pathlib import Path

import polars as pl
import pytest

from pipeline.reading.headings import EXACT, fit
from pipeline.reading.suggest.profile import Column
from pipeline.reading.suggest.propose import suggest
from pipeline.reading.suggest.value_words import value_lines

_DAYS = [f"20{15 + n % 8}-0{1 + n % 9}-1{n % 10}" for n in range(90)]
_CODES = ("D0120", "D3330", "D2740", "D7140")
_TEETH = [3 + n % 27 for n in range(90)]


def _proposed(folder: Path, **files: list[str]) -> dict[str, dict]:
    paths = []
    for name, lines in files.items():
        paths.append(folder / f"{name}.csv")
        paths[-1].write_text("\n".join(lines) + "\n", encoding="utf-8")
    return tomllib.loads(suggest(paths, folder=folder).text)["tables"]


def _ledger(patient: str, by: str = "By") -> list[str]:
    rows = (f"{4000 + n % 9},{day},{_CODES[n % 4]},{_TEETH[n]},{1 + n % 3}" for n, day in enumerate(_DAYS))
    return [f"{patient},Done On,Item,Th,{by}", *rows]


def test_the_key_of_a_list_of_patients_is_the_patient_under_any_heading(tmp_path: Path):
    names = ("Moor", "Quill", "Croft")
    people = ["Kdx,Family Name,Born,Sex"] + [
        f"{4000 + n},{names[n % 3]},19{50 + n}-03-14,{'MF'[n % 2]}" for n in range(12)
    ]
    tables = _proposed(tmp_path, ledger=_ledger("Kdx"), folk=people)
    assert "joined" not in tables["procedures"]
    assert tables["procedures"]["columns"]["patient_id"] == "Kdx"
    assert tables["patients"]["columns"]["patient_id"] == "Kdx"


def test_visits_with_a_birth_date_are_no_list_of_patients(tmp_path: Path):
    words, teeth = ("Crown", "Examination", "Extraction", "Scaling", "Root canal"), (11, 16, 26, 36, 46)
    lines = ["visit_no,description,tooth"] + [f"V{n // 2},{words[n % 5]},{teeth[n % 5]}" for n in range(180)]
    visits = ["visit_no,patient_no,day,dob,gender"] + [
        f"V{n},{4000 + n % 20},{_DAYS[n]},19{50 + n % 20}-03-14,{'MF'[n % 2]}" for n in range(90)
    ]
    tables = _proposed(tmp_path, lines=lines, visits=visits)
    assert tables["procedures"]["columns"]["patient_id"] == "visits.patient_no"


def test_the_key_of_a_list_called_providers_is_who_treated(tmp_path: Path):
    providers = ["By,Called", "1,Albers", "2,Bright", "3,Corey"]
    tables = _proposed(tmp_path, ledger=_ledger("Chart"), providers=providers)
    assert tables["procedures"]["columns"]["provider_id"] == "By"


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (("H", "M"), {"H": "male", "M": "female"}),  # hombre, mujer
        (("N", "F"), {"N": "female", "F": "male"}),  # nő, férfi
        (("F", "M"), {}),  # understood without being told
        (("X1", "M"), {"X1": "ask", "M": "ask"}),  # who knows what M is beside such a word?
    ],
)
def test_letters_for_sex_are_read_together(words: tuple[str, ...], meant: dict[str, str]):
    column = Column(1, "Sexo", "Sexo", pl.Series([words[n % 2] for n in range(20)]))
    assert {word: ours for word, ours, _ in value_lines("patients", "sex", column)} == meant


def test_days_of_entry_are_asked_where_a_ledger_has_no_others(tmp_path: Path):
    lines = ["ChartNo,EntryDate,ADACode,Tooth,EnteredOn"] + [
        f"{4000 + n % 9},{day},{_CODES[n % 4]},{_TEETH[n]},{_DAYS[(n + 1) % 90]}" for n, day in enumerate(_DAYS)
    ]
    assert _proposed(tmp_path, ledger=lines)["procedures"]["columns"]["service_date"] == "ask"


def test_codes_in_a_cell_with_teeth_in_brackets_are_parted(tmp_path: Path):
    lines = ["Visit Date,Pt,Procedures"] + [
        f"{day},{4000 + n % 9},D0120; D2740({_TEETH[n]})" for n, day in enumerate(_DAYS)
    ]
    table = _proposed(tmp_path, ledger=lines)["procedures"]
    assert (table["cell_lists"], table["tooth_in_text"]) == (["Procedures"], "Procedures")


def test_amounts_with_any_sign_of_a_currency_are_the_fee_and_no_clinician(tmp_path: Path):
    lines = ["Chart,Day,Code,Tooth,Dr,Sum xx"] + [
        f'{4000 + n % 9},{day},{_CODES[n % 4]},{_TEETH[n]},{"AB"[n % 2]}H,"₪{1 + n % 4},{250 + 5 * (n % 4)}.00"'
        for n, day in enumerate(_DAYS)
    ]
    columns = _proposed(tmp_path, ledger=lines)["procedures"]["columns"]
    assert (columns["provider_id"], columns["fee"]) == ("Dr", "Sum xx")


@pytest.mark.parametrize(
    ("heading", "field"),
    [
        ("Personnr", "patient_id"),
        ("Rodné číslo", "patient_id"),
        ("Henkilötunnus", "patient_id"),
        ("£", "fee"),
        ("Kč", "fee"),
        ("Kön", "sex"),
        ("Åtgärd", "code"),
        ("רופא", "provider_id"),
    ],
)
def test_headings_of_other_countries_are_known(heading: str, field: str):
    assert fit(heading, field) == EXACT
