"""Lists that a ledger names rows of by their keys are joined to it; lists of patients and of fees are not."""

from __future__ import annotations

import tomllib
from pathlib import Path

from pipeline.reading.suggest.propose import suggest

_DAYS = [f"20{15 + n % 8}-0{1 + n % 9}-1{n % 10}" for n in range(60)]
_CODES = ("D0120", "D3330", "D2740", "D7140")


def _proposed(folder: Path, **files: list[str]) -> dict[str, object]:
    paths = []
    for name, lines in files.items():
        paths.append(folder / f"{name}.csv")
        paths[-1].write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = suggest(paths, folder=folder).text
    return tomllib.loads(text)["tables"]["procedures"]


def test_code_and_visit_are_looked_up(tmp_path: Path):
    lines = ["visit_id,code_id,tooth"] + [
        f"{n // 2},{120 + n % 4},{'' if n % 4 == 0 else 3 + n % 27}" for n in range(120)
    ]
    visits = ["visit_id,patient_id,visit_date"] + [f"{n},{4000 + n % 9},{_DAYS[n]}" for n in range(60)]
    codes = ["id,ada"] + [f"{120 + n},{code}" for n, code in enumerate(_CODES)]
    table = _proposed(tmp_path, lines=lines, visits=visits, code=codes)
    assert {one["file"]: one["on"] for one in table["joined"]} == {"visits.csv": "visit_id", "code.csv": "code_id"}
    assert table["columns"] == {
        "patient_id": "visits.patient_id",
        "service_date": "visits.visit_date",
        "code": "code.ada",
        "tooth": "tooth",
    }


def test_a_list_of_patients_and_one_of_fees_stay_beside(tmp_path: Path):
    ledger = ["patient_id,date,code,tooth"] + [
        f"{4000 + n % 9},{_DAYS[n]},{_CODES[n % 4]},{'' if n % 4 == 0 else 3 + n % 27}" for n in range(60)
    ]
    patients = ["patient_id,birth_date,sex"] + [f"{4000 + n},19{50 + n}-03-14,{'mf'[n % 2]}" for n in range(9)]
    fees = ["code,fee"] + [f"{code},{100 + n}" for n, code in enumerate(_CODES)]
    assert "joined" not in _proposed(tmp_path, ledger=ledger, patients=patients, fees=fees)


def test_words_for_work_are_the_code_where_no_column_holds_any(tmp_path: Path):
    words = ("Consultation", "Couronne céramique", "Extraction simple", "Obturation composite", "Détartrage complet")
    ledger = ["N° dossier,Date acte,Libellé,Dent"] + [
        f"{4000 + n % 9},{_DAYS[n]},{words[n % 5]},{(11, 16, 26, 36, 46, 47)[n % 6]}" for n in range(60)
    ]
    assert _proposed(tmp_path, actes=ledger)["columns"]["code"] == "Libellé"
