"""The form at the chair: one printed page with every field of a root canal and of a crown, to tick within a minute."""

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import page
from dashboards.formats import phrase
from pipeline.practice.tables import CROWN_DETAILS, ENDO_DETAILS, Table

# In the order of the work, and short; a field that is not named here is asked for by what its declaration says.
_ENDO = {
    "difficulty": "Difficulty",
    "pulpal_diagnosis": "Pulp",
    "apical_diagnosis": "Root end",
    "preop_pai": "Periapical index before",
    "rubber_dam": "Rubber dam",
    "canals": "Canals",
    "instrumentation": "Shaping",
    "master_apical_size_iso": "Final size, ISO",
    "length_short_of_apex_mm": "Filling short of the apex, mm (long: minus)",
    "naocl_percent": "Hypochlorite, %",
    "irrigant_activation": "Irrigant activated",
    "separated_instrument": "Separated instrument",
    "obturation": "Filling",
    "sealer": "Sealer",
    "orifice_seal": "Seal over the orifices",
    "visits": "Visits",
}
_CROWN = {
    "prep_date": "Prepared on",
    "seat_date": "Seated on",
    "pulp_status_at_prep": "Pulp at the preparation",
    "core": "Core",
    "post": "Post",
    "ferrule_mm": "Ferrule, mm",
    "margin": "Margin",
    "material": "Material",
    "cement": "Cement",
}
_HEAD = {"patient_id": "Patient", "tooth": "Tooth", "service_date": "Day"}
_OURS = ("tooth_fdi", "supernumerary", "load_id", "row_number")
_SCALES = {"preop_pai": ("1", "2", "3", "4", "5")}


@dataclass(frozen=True)
class Asked:
    """One field: its label, and the words to tick, which are those of the sheet; without words, a line to write on."""

    field: str
    label: str
    words: tuple[str, ...]


def asked_of(table: Table, labels: dict[str, str]) -> tuple[Asked, ...]:
    """Every field that a file may give of the table, those of `labels` first, but for who, which tooth and when."""
    fields = [name for name in table.columns if name not in (*_OURS, *_HEAD)]
    order = [*(name for name in labels if name in fields), *(name for name in fields if name not in labels)]
    return tuple(Asked(f, labels.get(f, table.columns[f].about.rstrip(".")), _words(table, f)) for f in order)


def render(*, practice: str, notation: str) -> str:
    """The form as a page of its own: nothing on it is of a patient until it is filled in."""
    return page.bare(
        "chair_form.html",
        title="At the chair",
        practice=practice,
        notation=notation,
        head=_HEAD,
        parts=[
            ("Root canal", "endo_details", asked_of(ENDO_DETAILS, _ENDO)),
            ("Crown", "crown_details", asked_of(CROWN_DETAILS, _CROWN)),
        ],
    )


def _words(table: Table, field: str) -> tuple[str, ...]:
    column = table.columns[field]
    if str(column.dtype) == "Boolean":
        return "yes", "no"
    words: Sequence[str] = column.words or column.usual
    return _SCALES.get(field) or tuple(phrase(w) for w in words)
