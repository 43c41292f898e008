"""Invented ledgers in the shapes of many practices, each with the truth of its columns."""

from __future__ import annotations

import csv
import datetime as dt
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

FDI = [q * 10 + n for q in (1, 2, 3, 4) for n in range(1, 9)]
UNIVERSAL = list(range(1, 33))
CDT = {"D0120": 48, "D1110": 95, "D2740": 1180, "D2950": 260, "D3330": 1090, "D7140": 190, "D2391": 170}
GOZ = {"0070": 12, "2180": 45, "2200": 310, "2410": 62, "2440": 41, "3010": 27, "2060": 81}
AU = {"011": 60, "022": 45, "415": 310, "417": 290, "613": 1700, "311": 210, "627": 240}
NL = {"C002": 28, "X10": 21, "V92": 80, "R24*": 334, "E14": 197, "H11": 57, "R31": 76}
LOOSE = {"D0120", "D1110", "0070", "011", "022", "C002", "X10"}  # about no tooth

Row = dict[str, str]


@dataclass(frozen=True)
class Ledger:
    """How a practice writes: `columns` is field to heading, in the order of the file; `others` are of no use."""

    name: str
    columns: dict[str, str]
    codes: dict[str, int] = field(default_factory=lambda: CDT)
    teeth: list[int] = field(default_factory=lambda: UNIVERSAL)
    date: str = "%m/%d/%Y"
    decimal: str = "."
    delimiter: str = ","
    status: dict[str, str] = field(default_factory=dict)  # word to ours
    others: dict[str, Callable[[random.Random, Row], str]] = field(default_factory=dict)
    headings: bool = True
    code_system: str = "cdt"
    notation: str = "universal"


def write(ledger: Ledger, path: Path, *, rows: int = 400, seed: int = 1) -> Path:
    """Write it, in the order of time; some 60 patients come back over ten years."""
    rng = random.Random(seed)
    day = dt.date(2012, 1, 2)
    out: list[list[str]] = []
    patients = [f"{n}" for n in rng.sample(range(310_001, 329_999), max(12, rows // 7))]
    number = 70_000
    while len(out) < rows:
        day += dt.timedelta(days=rng.randrange(0, 9))
        patient = rng.choice(patients)
        provider = f"DR{rng.randrange(1, 5)}"
        for _ in range(rng.randrange(1, 4)):
            number += 1
            code = rng.choice(list(ledger.codes))
            row: Row = {
                "patient_id": patient,
                "service_date": day.strftime(ledger.date),
                "code": code,
                "tooth": "" if code in LOOSE else str(rng.choice(ledger.teeth)),
                "surface": rng.choice(["MO", "DO", "MOD", "O"]) if code == "D2391" else "",
                "provider_id": provider,
                "status": rng.choice(list(ledger.status)) if ledger.status else "",
                "procedure_id": str(number),
                "site_id": f"Clinic {'North' if int(patient) % 2 else 'South'}",
                "fee": f"{ledger.codes[code] + rng.choice([0, 0, 0, 5]):.2f}".replace(".", ledger.decimal),
            }
            made = {name: make(rng, row) for name, make in ledger.others.items()}
            out.append([row[f] for f in ledger.columns] + list(made.values()))
    top = [[*ledger.columns.values(), *ledger.others]] if ledger.headings else []
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, delimiter=ledger.delimiter).writerows([*top, *out[:rows]])
    return path


def _ordered(fields: str, headings: str) -> dict[str, str]:
    return dict(zip(fields.split(), headings.split("|"), strict=True))


ALL = "patient_id service_date code tooth surface provider_id procedure_id site_id fee"
_NAME = {"Patient Name": lambda rng, row: f"Example{row['patient_id'][-3:]}, Pat"}
_AGE = {"Age": lambda rng, row: str(20 + int(row["patient_id"]) % 60)}

LEDGERS = [
    Ledger(
        "us_full",
        _ordered(
            ALL + " status",
            "Chart Number|Date of Service|ADA Code|Tooth|Surf|Provider|Transaction ID|Office|Fee|Status",
        ),
        status={"Completed": "completed", "TP": "planned", "EO": "existing", "Deleted": "void"},
        others={**_NAME, **_AGE},
    ),
    Ledger(
        "us_short",
        _ordered(
            "procedure_id patient_id service_date code tooth surface provider_id fee",
            "TranNo|PatNum|DOS|Proc|Tth|Srf|Prov|Amt",
        ),
    ),
    Ledger(
        "german",
        _ordered(
            "patient_id service_date code tooth provider_id fee",
            "Patientennummer|Behandlungsdatum|Ziffer|Zahn|Behandler|Betrag",
        ),
        codes=GOZ,
        teeth=FDI,
        date="%d.%m.%Y",
        decimal=",",
        delimiter=";",
        code_system="de",
        notation="fdi",
        others={"Faktor": lambda rng, row: "2,3"},
    ),
    Ledger(
        "german_short",
        _ordered("service_date patient_id tooth code provider_id fee status", "Dat.|PatNr|Zn|GebNr|Beh.|Honorar|Stand"),
        codes=GOZ,
        teeth=FDI,
        date="%d.%m.%y",
        decimal=",",
        delimiter=";",
        code_system="de",
        notation="fdi",
        status={"fertig": "completed", "geplant": "planned", "storniert": "void"},
    ),
    Ledger(
        "french",
        _ordered(
            "patient_id service_date tooth code provider_id fee status",
            "N° patient|Date de l'acte|N° dent|Code acte|Praticien|Montant|Statut",
        ),
        teeth=FDI,
        date="%d/%m/%Y",
        decimal=",",
        delimiter=";",
        notation="fdi",
        status={"terminé": "completed", "prévu": "planned", "annulé": "void"},
        others={"Libellé": lambda rng, row: f"acte {row['code'][-2:]}"},
    ),
    Ledger(
        "spanish",
        _ordered(
            "patient_id service_date code tooth provider_id site_id fee",
            "Historia clínica|Fecha|Código|Pieza|Odontólogo|Sede|Importe",
        ),
        teeth=FDI,
        date="%d/%m/%Y",
        notation="fdi",
        others={"Edad": lambda rng, row: str(20 + int(row["patient_id"]) % 60)},
    ),
    Ledger(
        "dutch",
        _ordered(
            "patient_id service_date tooth code provider_id fee",
            "Patiëntnummer|Behandeldatum|Element|Prestatiecode|Behandelaar|Bedrag",
        ),
        codes=NL,
        teeth=FDI,
        date="%d-%m-%Y",
        code_system="nl",
        notation="fdi",
    ),
    Ledger(
        "italian",
        _ordered("patient_id service_date tooth code fee", "ID paziente|Data prestazione|Dente|Codice|Importo"),
        teeth=FDI,
        date="%d/%m/%Y",
        notation="fdi",
    ),
    Ledger(
        "portuguese",
        _ordered("patient_id service_date tooth code fee", "Prontuário|Data do procedimento|Dente|Código|Valor"),
        teeth=FDI,
        date="%d/%m/%Y",
        notation="fdi",
    ),
    Ledger(
        "australian",
        _ordered("patient_id service_date code tooth fee", "Patient No|Visit Date|Item No|Tooth No|Charge"),
        codes=AU,
        teeth=FDI,
        date="%d/%m/%Y",
        code_system="ada_au",
        notation="fdi",
    ),
    Ledger(
        "meaningless",
        _ordered(ALL, "F1|F2|F3|F4|F5|F6|F7|F8|F9"),
        others={"F10": lambda rng, row: str(20 + int(row["patient_id"]) % 60)},
    ),
    Ledger(
        "meaningless_fdi",
        _ordered("fee code tooth service_date provider_id patient_id procedure_id", "A|B|C|D|E|F|G"),
        teeth=FDI,
        date="%Y-%m-%d",
        notation="fdi",
    ),
    Ledger("no_headings", _ordered(ALL, "||||||||"), headings=False),
    Ledger(
        "no_headings_german",
        _ordered("procedure_id service_date patient_id provider_id code tooth fee", "||||||"),
        codes=GOZ,
        teeth=FDI,
        date="%d.%m.%Y",
        decimal=",",
        delimiter=";",
        headings=False,
        code_system="de",
        notation="fdi",
    ),
    Ledger(
        "visits_and_invoices",
        _ordered("patient_id provider_id procedure_id service_date code tooth", "X1|X2|X3|X4|X5|X6"),
        # a visit number comes back within one day only; it must not be taken for the patient
        others={
            "X7": lambda rng, row: (
                f"{row['service_date'][-4:]}{row['patient_id']}{row['service_date'][:5].replace('/', '')}"
            )
        },
    ),
]
