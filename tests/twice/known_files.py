"""The files of the practice whose teeth are known, and beside them what R reads of it."""

from __future__ import annotations

import csv
import datetime as dt
import json
from collections.abc import Iterable
from pathlib import Path

from known_practice import CUTOFF, FIELDS, Files

from pipeline.reading.doubts.signs import SIGNS


def write(files: Files, folder: Path) -> Path:
    """Two ledgers that share a third of their rows, the other tables and `practice.toml`; returns the path of that."""
    folder.mkdir(parents=True, exist_ok=True)
    rows = [spelled(row) for row in files.ledger]
    third = len(rows) // 3
    _csv(folder / "ledger-1.csv", rows[: 2 * third])
    _csv(folder / "ledger-2.csv", rows[third:])
    for name, table in (("elsewhere", files.elsewhere), ("details", files.details), ("patients", listed(files))):
        _csv(folder / f"{name}.csv", table)
    toml = folder / "practice.toml"
    toml.write_text(_TOML.replace("ACCEPTED", ", ".join(f'"{sign.id}"' for sign in SIGNS)), encoding="utf-8")
    return toml


def spelled(row: dict[str, object]) -> dict[str, object]:
    """The row as the practice has it: now and then a tooth, code or charge is written in another way."""
    tooth, code, charge, way = row["Tooth"], str(row["Procedure"]), row["Charge"], int(str(row["Ref"])) % 31
    teeth = {0: f"#{tooth}", 1: f"Tooth {tooth}", 2: f"{tooth}.0", 3: f"({tooth})", 4: f" {tooth} "}
    codes = {5: code[1:], 6: f"D-{code[1:]}", 7: f"CDT {code[1:]}", 8: code.lower(), 9: f"{code}.1", 10: f"{code} "}
    charges = {11: f"{charge}.00", 12: f"$ {charge}", 13: f"{charge} USD"}
    return {
        **row,
        "Tooth": teeth.get(way, tooth) if tooth else "",
        "Procedure": codes.get(way, code) if code.startswith("D") else code,
        "Charge": charges.get(way, charge),
    }


def listed(files: Files) -> list[dict[str, str]]:
    """The rows of the patients' list: one of nine stands there twice, each time with what the other leaves open."""
    rows = []
    for n, row in enumerate(files.patients):
        later = {"Smoker", "Grinder", "Last", "Died"} if n % 9 == 0 else set()
        rows.append({name: "" if name in later else cell for name, cell in row.items()})
        if later:
            rows.append({name: cell if name in later | {"Patient"} else "" for name, cell in row.items()})
    return rows


def write_truth(files: Files, folder: Path, settings: dict[str, object]) -> None:
    """What R reads: the crowns and patients that must come of the files, and the choices of the comparison."""
    _csv(folder / "crowns.csv", [{name: row[name] for name in FIELDS} for row in files.crowns])
    words = {"F": "female", "M": "male", "Y": "true", "N": "false", "": ""}
    people = [
        {
            "patient_id": row["Patient"],
            "birth_date": dt.datetime.strptime(row["Born"], "%d/%m/%Y").date() if row["Born"] else "",  # noqa: DTZ007
            "birth_year": row["Year"],
            "sex": words[row["Sex"]],
            **{n: words[row[c]] for n, c in (("smoker", "Smoker"), ("diabetes", "Diabetes"), ("bruxism", "Grinder"))},
        }
        for row in files.patients
    ]
    _csv(folder / "patients.csv", people)
    (folder / "settings.json").write_text(json.dumps({**settings, "data_cutoff": CUTOFF.isoformat()}))


def _csv(path: Path, rows: Iterable[dict[str, object]] | Iterable[dict[str, str]]) -> None:
    rows = list(rows)
    with path.open("w", encoding="utf-8", newline="") as text:
        writer = csv.DictWriter(text, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


_TOML = """
[practice]
name = "Alder Row Dental, from its teeth"
tooth_notation = "universal"
code_system = "cdt"
date_format = "auto"
root_canals_elsewhere = "some"
accepted = ["crowded_day", ACCEPTED]

[tables.procedures]
files = ["ledger-*.csv"]
columns.patient_id = "Patient"
columns.service_date = "Day"
columns.code = "Procedure"
columns.tooth = "Tooth"
columns.provider_id = "By"
columns.procedure_id = "Ref"
columns.status = "State"
columns.fee = "Charge"
columns.reason = "Cause"
values.status = { C = "completed", TP = "planned", EO = "existing", X = "void" }
values.reason = { gum = "periodontal", split = "fracture" }

[tables.elsewhere]
files = ["elsewhere.csv"]
columns.patient_id = "Patient"
columns.tooth = "Tooth"
columns.event = "Event"
columns.event_date = "Day"
values.event = { "root canal" = "root_canal" }

[tables.crown_details]
files = ["details.csv"]
columns.patient_id = "Patient"
columns.tooth = "Tooth"
columns.prep_date = "Prepared"
columns.seat_date = "Seated"
columns.material = "Material"
columns.pulp_status_at_prep = "Pulp"

[tables.patients]
files = ["patients.csv"]
columns.patient_id = "Patient"
columns.birth_date = "Born"
columns.birth_year = "Year"
columns.sex = "Sex"
columns.smoker = "Smoker"
columns.diabetes = "Diabetes"
columns.bruxism = "Grinder"
columns.last_contact_date = "Last"
columns.deceased_date = "Died"
values.sex = { F = "female", M = "male" }

[codes]
OFF01 = "crown_removal"
D2751 = { material = "glass_ceramic" }  # listed as one over metal

[analysis]
min_at_risk = 12
max_step_per_100 = 8
"""
