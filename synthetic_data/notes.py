"""Chart notes of the invented practice, written from its detail files in five styles.

What a note says is what the detail row says, so whatever reads the notes can be held against the rows. Notes are an
extra: the practice that `simulate` writes has none unless they are asked for.
"""

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import polars as pl

from synthetic_data.details import MARGIN, MATERIAL, POST, PULP

STYLES = ("terse", "dictated", "template", "mixed", "misspelt")
FILES = ("endo_details.csv", "crown_details.csv", "findings.csv")
Row = Mapping[str, str | None]

_DIAGNOSIS = {
    "previously treated": "prev treated", "necrosis": "pulp necrosis",
    "symptomatic irreversible pulpitis": "SIP", "asymptomatic irreversible pulpitis": "AIP",
    "normal pulp": "normal pulp", "reversible pulpitis": "reversible pulpitis",
}  # fmt: skip
_SHAPING = {
    "hand": ("hand files only", "instrumented with hand files only"),
    "rotary_sequence": ("rotary sequence", "shaped with a rotary sequence"),
    "rotary_single_file": ("single file rotary", "shaped with a single rotary file"),
    "reciprocating": ("recip file", "shaped with a reciprocating file"),
    "hybrid": ("hybrid hand/rotary technique", "shaped with a hybrid technique of hand and rotary files"),
}
_FILLED = {"cold_lateral": "cold lateral", "warm_vertical": "warm vertical", "single_cone": "single cone",
           "carrier": "carrier based GP"}  # fmt: skip
_SEALER = {"zinc_oxide_eugenol": "ZOE", "epoxy_resin": "epoxy resin", "calcium_silicate": "bioceramic",
           "calcium_hydroxide": "CaOH based", "other": "silicone"}  # fmt: skip
_ORIFICE = {"none": "no orifice barrier", "glass_ionomer": "orifices sealed with GI",
            "composite": "orifices sealed with flowable composite",
            "zinc_oxide_eugenol": "orifices sealed with ZOE"}  # fmt: skip
_BROKEN = {
    "none": "no separated files",
    "before_cleaning": "file separated before the canal was cleaned",
    "after_cleaning": "file separated after cleaning was complete",
    "removed": "separated file removed",
}
_MADE_OF = {"metal": "full gold crown", "metal_ceramic": "PFM crown", "zirconia": "zirconia crown",
            "glass_ceramic": "lithium disilicate crown", "resin": "resin crown"}  # fmt: skip
_MARGIN = {"chamfer": "chamfer", "shoulder": "shoulder", "knife_edge": "knife edge"}
_POST = {"none": "no post", "fiber": "fiber post", "prefabricated_metal": "prefab metal post"}
_PULP = {"normal": "pulp vital and normal", "hyperemic": "pulp hyperemic", "necrotic": "pulp necrotic",
         "root_filled": "tooth root filled"}  # fmt: skip
# What stands beside and must not be read: another tooth, another person, a plan, history, a risk.
_BESIDE = (
    "Adjacent tooth has existing PFM crown, sound.",
    "Pt's mother had a root canal with a broken file.",
    "NV: crown prep, zirconia.",
    "Hx of root canal 2009 on another tooth by previous dentist.",
    "Risks incl file separation reviewed.",
    "1 carp 4% articaine 1:100,000 epi.",
    "17% EDTA and 2% CHX used as well.",
)
_SLIPS = {"irrigated": "irrigatd", "obturated": "obturatd", "composite": "compositte", "crown": "crwon",
          "zirconia": "zirconai", "chamfer": "chamfr", "separated": "seperated", "asymptomatic": "asymptomtic",
          "bioceramic": "bioceramc", "rubber": "ruber", "sequence": "sequnce", "hyperemic": "hyperemc"}  # fmt: skip


def write_notes(directory: Path, *, seed: int = 1, keep_details: bool = True) -> Path:
    """Write `notes.csv` from the detail files of a practice that `simulate` wrote, and name it in its practice.toml.

    One note a row of details, on its day, and for a crown another on the day of its seat; a third of them say the tooth
    in the text alone. Without `keep_details` the detail files are named no longer, so that notes are all there is to
    tell technique. Returns the TOML.
    """
    rng = np.random.default_rng([seed, 21])
    notes: list[tuple[str, str, str, str]] = []
    wanted = (
        ("endo_details.csv", _endo, ("Date",)),
        ("crown_details.csv", _crown, ("Prep",)),
        ("crown_details.csv", _seat, ("Seat", "Cement")),
        ("findings.csv", _recall, ("Exam",)),
    )
    for name, write, needed in wanted:
        rows = pl.read_csv(directory / name, infer_schema=False)
        if "Reading No" in rows.columns:
            rows = rows.filter(pl.col("Reading No") == "1")
        for row in rows.iter_rows(named=True):
            if not all(row[heading] for heading in needed):
                continue
            day = row[needed[0]]
            style = STYLES[int(rng.integers(0, len(STYLES)))]
            text = write(row, style, rng)
            in_text = bool(rng.random() < 1 / 3)
            text = f"#{row['Th']} {text}" if in_text else text
            notes.append((str(row["Chart No"]), str(day), "" if in_text else str(row["Th"]), text))
    frame = pl.DataFrame(notes, schema=["Chart No", "Note Date", "Th", "Note"], orient="row")
    frame.write_csv(directory / "notes.csv")
    toml = directory / "practice.toml"
    text = toml.read_text(encoding="utf-8")
    if not keep_details:
        text = _without_details(text)
    head, _, rules = text.partition("\n[codes]")
    columns = {"patient_id": "Chart No", "note_date": "Note Date", "tooth": "Th", "text": "Note"}
    lines = ["[tables.notes]", 'files = ["notes.csv"]', *(f'columns.{f} = "{h}"' for f, h in columns.items())]
    toml.write_text(head + "\n".join(["", *lines, ""]) + "\n[codes]" + rules, encoding="utf-8")
    return toml


def _without_details(text: str) -> str:
    kept, leaving = [], False
    for line in text.splitlines(keepends=True):
        if line.startswith("["):
            leaving = any(f"[tables.{name.removesuffix('.csv')}]" in line for name in FILES)
        if not leaving:
            kept.append(line)
    return "".join(kept)


def _endo(row: Row, style: str, rng: np.random.Generator) -> str:
    said = [
        f"Dx: {_DIAGNOSIS.get(row['Pulp Dx'] or '', '')}" if row["Pulp Dx"] else "",
        {"normal": "normal apical tissues"}.get(row["Apical Dx"] or "", row["Apical Dx"] or ""),
        {"Y": "rubber dam on", "N": "no rubber dam"}.get(row["Dam"] or "", ""),
        f"{row['Canals']} canals" if row["Canals"] != "1" else "1 canal",
        _SHAPING.get(row["Shaping"] or "", ("", ""))[style == "dictated"],
        f"MAF {row['Size']}",
        f"irrigated with {row['Hypo']}% NaOCl",
        {"Y": "ultrasonic activation", "N": "not activated"}.get(row["Activated"] or "", ""),
        f"obturated {_FILLED.get(row['Filling'] or '', '')}",
        f"{_SEALER.get(row['Sealer'] or '', '')} sealer" if row["Sealer"] else "",
        _length(row["Short"]),
        _ORIFICE.get(row["Orifice"] or "", ""),
        _BROKEN.get(row["Broken"] or "", ""),
        f"completed in {row['Visits']} visits" if row["Visits"] != "1" else "single visit",
        f"Pre-op PAI {row['PAI']}" if row["PAI"] else "",
    ]
    return _in_style("RCT", said, style, rng)


def _length(short: str | None) -> str:
    if not short:
        return ""
    far = float(short)
    if far == 0:
        return "fill flush with apex"
    return f"fill {abs(far):g} mm {'short of apex' if far > 0 else 'past apex'}"


def _crown(row: Row, style: str, rng: np.random.Generator) -> str:
    material = _MADE_OF.get(MATERIAL.get(row["Made Of"] or "", ""), "crown")
    said = [
        _PULP.get(PULP.get(row["Pulp"] or "", ""), ""),
        f"{row['Core']} core" if row["Core"] not in (None, "none") else "no core needed" if row["Core"] else "",
        _POST.get(POST.get(row["Post"] or "", ""), ""),
        f"{_MARGIN[MARGIN[row['Margin']]]} margin" if row["Margin"] else "",
        f"ferrule {row['Ferrule']} mm" if row["Ferrule"] else "",
        f"prepped for {material}",
    ]
    return _in_style("Crown prep", said, style, rng)


def _seat(row: Row, style: str, rng: np.random.Generator) -> str:
    material = _MADE_OF.get(MATERIAL.get(row["Made Of"] or "", ""), "crown")
    said = [f"{material} cemented with {row['Cement']}", "contacts and occlusion good"]
    return _in_style("Crown seat", said, style, rng)


def _recall(row: Row, style: str, rng: np.random.Generator) -> str:
    said = [
        {"Y": "tooth is symptomatic, tender to percussion", "N": "pt asymptomatic, percussion wnl"}.get(
            row["Pain"] or "", ""
        ),
        f"PAI {row['PAI']}" if row["PAI"] else "",
        "crown in place" if row["Crown On"] == "Y" else "",
    ]
    return _in_style("Recall exam of RCT", said, style, rng)


def _in_style(title: str, said: list[str], style: str, rng: np.random.Generator) -> str:
    told = [s for s in said if s.strip() and not s.endswith(": ")]
    beside = _BESIDE[int(rng.integers(0, len(_BESIDE)))]
    joins: dict[str, Callable[[], str]] = {
        "terse": lambda: f"{title}. " + ", ".join(told) + ".",
        "dictated": lambda: f"{title} today. " + ". ".join(s[:1].upper() + s[1:] for s in told) + ". Patient did well.",
        "template": lambda: f"{title}\n" + "\n".join(f"* {s}" for s in told) + "\n",
        "mixed": lambda: f"{title}. " + "; ".join(told) + f". {beside}",
        "misspelt": lambda: f"{title}. " + ". ".join(told) + ".",
    }
    text = joins[style]()
    if style == "misspelt":
        for word, slip in _SLIPS.items():
            if rng.random() < 0.5:
                text = text.replace(word, slip)
    return text
