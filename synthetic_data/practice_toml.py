"""The synthetic practice's own practice.toml: every file, heading and word told outright."""

import datetime as dt
from pathlib import Path

from synthetic_data.details import DONE_ELSEWHERE, MARGIN, MATERIAL, POST, PULP, YES_NO
from synthetic_data.people import CUTOFF
from synthetic_data.postings import CROWN_REMOVED, REASON, STATUS
from synthetic_data.write import DATE

# Our field and the heading in the practice's files.
COLUMNS: dict[str, dict[str, str]] = {
    "procedures": {
        "patient_id": "Chart No",
        "service_date": "Date",
        "code": "Code",
        "tooth": "Th",
        "surface": "Surf",
        "provider_id": "Prov",
        "status": "Status",
        "procedure_id": "Entry No",
        "site_id": "Clinic",
        "fee": "Amount",
        "reason": "Why",
    },
    "patients": {
        "patient_id": "Chart No",
        "birth_date": "Born",
        "sex": "Sex",
        "first_contact_date": "First Visit",
        "last_contact_date": "Last Seen",
        "deceased_date": "Died",
        "smoker": "Smokes",
        "diabetes": "Diabetic",
        "bruxism": "Grinds",
    },
    "endo_details": {
        "patient_id": "Chart No",
        "tooth": "Th",
        "service_date": "Date",
        "pulpal_diagnosis": "Pulp Dx",
        "apical_diagnosis": "Apical Dx",
        "preop_pai": "PAI",
        "canals": "Canals",
        "length_short_of_apex_mm": "Short",
        "master_apical_size_iso": "Size",
        "instrumentation": "Shaping",
        "naocl_percent": "Hypo",
        "irrigant_activation": "Activated",
        "obturation": "Filling",
        "sealer": "Sealer",
        "orifice_seal": "Orifice",
        "separated_instrument": "Broken",
        "rubber_dam": "Dam",
        "visits": "Visits",
    },
    "crown_details": {
        "patient_id": "Chart No",
        "tooth": "Th",
        "prep_date": "Prep",
        "seat_date": "Seat",
        "material": "Made Of",
        "margin": "Margin",
        "core": "Core",
        "post": "Post",
        "ferrule_mm": "Ferrule",
        "cement": "Cement",
        "pulp_status_at_prep": "Pulp",
    },
    "findings": {
        "patient_id": "Chart No",
        "tooth": "Th",
        "exam_date": "Exam",
        "pai": "PAI",
        "symptomatic": "Pain",
        "crown_in_place": "Crown On",
        "reader": "Reader",
        "reading": "Reading No",
    },
    "elsewhere": {
        "patient_id": "Chart No",
        "tooth": "Th",
        "event": "What Was Done",
        "event_date": "When",
    },
}
# The practice's word and ours.
VALUES: dict[str, dict[str, dict[str, str]]] = {
    "procedures": {"status": STATUS, "reason": REASON},
    "patients": {
        "sex": {"F": "female", "M": "male"},
        "smoker": YES_NO,
        "diabetes": YES_NO,
        "bruxism": YES_NO,
    },
    "endo_details": {"irrigant_activation": YES_NO, "rubber_dam": YES_NO},
    "crown_details": {"material": MATERIAL, "margin": MARGIN, "post": POST, "pulp_status_at_prep": PULP},
    "findings": {"symptomatic": YES_NO, "crown_in_place": YES_NO},
    "elsewhere": {"event": DONE_ELSEWHERE},
}


def write_toml(directory: Path, *, referred: float = 0.1) -> Path:
    """Write practice.toml: every file, heading and word of this practice, told outright.

    `referred` is the share of root canals done elsewhere, which the practice says in words.
    """
    share = "none" if referred == 0 else "some" if referred < 0.5 else "most"
    path = directory / "practice.toml"
    lines = [
        "# An invented practice. The truth behind its files is in truth.json.",
        "[practice]",
        'name = "Alder Row Dental"',
        'tooth_notation = "universal"',
        'code_system = "cdt"',
        f'date_format = "{DATE}"',
        'crown_date = "seat"',
        'numbering = "one for all"',
        'database = "practice.duckdb"',
        f'root_canals_elsewhere = "{share}"',
    ]
    for table, of_table in COLUMNS.items():
        file = "exports/ledger-*.csv" if table == "procedures" else f"{table}.csv"
        lines += ["", f"[tables.{table}]", f'files = ["{file}"]']
        lines += [f'columns.{ours} = "{theirs}"' for ours, theirs in of_table.items()]
        for field, of_field in VALUES[table].items():
            pairs = ", ".join(f'"{theirs}" = "{ours}"' for theirs, ours in of_field.items())
            lines.append(f"values.{field} = {{ {pairs} }}")
    cutoff = dt.date(1970, 1, 1) + dt.timedelta(days=CUTOFF)
    lines += ["", "[codes]", f'{CROWN_REMOVED} = "crown_removal"', "", "[rules]", f"data_cutoff = {cutoff}", ""]
    path.write_text("\n".join(lines), encoding="utf-8")
    return path
