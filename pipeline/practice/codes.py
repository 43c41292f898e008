"""Procedure codes and what each stands for, in words of our own.

Four lists are built in: `cdt` (used in the United States), `ada_au` (the Australian schedule), `de` (BEMA and GOZ,
Germany) and `nl` (the list of the Nederlandse Zorgautoriteit, the Netherlands, old and present numbers).
`data/codes.csv` holds the numbers, our own short description and how each was checked; it holds no text of any
publisher. A practice may bring its own list instead, and change any code in PRACTICE.toml.

Some numbers say more than what was done: the material of a crown, one surface of a filling, the kind of tooth. That is
the `detail` of a code; `DETAILS` says which events have one and in which words.

In a practice's own list and under `[codes]` the plain words of `ALIASES` are understood besides those of `EVENTS`.
"""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

import polars as pl

from pipeline.machine.errors import ConfigError
from pipeline.practice.tables import MATERIALS

BUILT_IN = ("cdt", "ada_au", "de", "nl")
ASK = "ask"  # an event of a practice's own list that is not yet told
_MOST_TOLD = 12
SCHEMA: dict[str, pl.DataType] = {"code": pl.String(), "event": pl.String(), "detail": pl.String()}

# What a code stands for: done to one tooth or to the place of one, so that a row without the tooth says nothing.
_ON_A_TOOTH = {
    "crown_placement": "a lasting crown on a tooth",
    "crown_prefabricated": "a ready-made crown on a tooth",
    "crown_interim": "a crown for the time being",
    "crown_recement": "a loose crown put back",
    "crown_repair": "a crown mended in the mouth",
    "crown_removal": "a crown taken off",
    "crown_addon": "extra work on a crown",
    "crown_lengthening": "more tooth laid free for a crown",
    "bridge_retainer_crown": "a crown that holds a bridge",
    "bridge_retainer_bonded": "a wing that holds a bonded bridge",
    "bridge_retainer_onlay": "an onlay that holds a bridge and covers the cusps",
    "bridge_retainer_inlay": "an inlay that holds a bridge and leaves the cusps",
    "bridge_pontic": "the hanging tooth of a bridge, where a tooth is missing",
    "implant": "an implant, its parts or its crown, where a tooth is missing",
    "denture_tooth": "a tooth of a denture, where a tooth is missing",
    "tooth_missing": "a tooth charted as missing",
    "coping": "a thin cap over a prepared tooth",
    "core": "a core under a crown",
    "core_addon": "extra work on a core",
    "post_core": "a post and core",
    "post_core_addon": "a further post",
    "post_removal": "a post taken out",
    "post_adjunct": "a canal prepared for a post",
    "recement_post": "a loose post and core put back",
    "recement_partial": "a loose inlay, onlay or veneer put back",
    "repair_partial": "an inlay or onlay mended",
    "onlay": "an onlay or part crown that covers the cusps",
    "inlay": "an inlay",
    "veneer": "a veneer",
    "veneer_repair": "a veneer mended",
    "direct_restoration": "a filling",
    "interim_filling": "a filling for the time being",
    "restorative_other": "other work on a crown or filling",
    "stabilisation": "a cracked tooth held together",
    "vital_pulp": "a pulp kept alive under a cover",
    "pulpotomy": "the crown part of a pulp removed, the rest kept alive",
    "endo_emergency": "the pulp removed or the tooth opened, root canal to follow",
    "endo_initial_stage": "canals shaped, filling to follow",
    "endo_initial": "first root canal treatment, filled",
    "endo_initial_addon": "a further canal of a first root canal treatment",
    "endo_incomplete": "root canal treatment given up before filling",
    "endo_retreatment": "repeat root canal treatment",
    "endo_retreatment_stage": "an old root filling taken out, a new one to follow",
    "endo_adjunct": "extra work in a root canal treatment",
    "endo_adjunct_obstruction": "a blocked canal worked on",
    "endo_adjunct_fragment": "a broken instrument removed or passed",
    "endo_other": "other root canal work",
    "perforation_repair": "a perforation mended",
    "apexification": "an open root end closed",
    "regeneration": "new tissue led into a canal",
    "primary_tooth_endo": "root filling of a primary tooth",
    "apical_surgery": "surgery at the root end",
    "apical_surgery_addon": "extra work in surgery at the root end",
    "resorption_surgery": "a resorbed root mended by surgery",
    "root_loss": "one root removed, the tooth kept",
    "root_burial": "the crown taken off on purpose, roots left buried",
    "coronectomy": "the crown cut off on purpose, roots left",
    "replantation": "a tooth taken out and put back",
    "trauma": "an injured tooth put back or splinted",
    "extraction": "a tooth taken out",
    "extraction_impacted": "a buried tooth taken out",
    "extraction_primary": "a primary tooth taken out",
}
# May name one tooth of several, and need not.
_ON_SEVERAL_TEETH = {
    "bridge_recement": "a loose bridge put back",
    "bridge_repair": "a bridge mended",
    "bridge_section": "a bridge cut apart or taken off",
    "splint": "loose teeth held together",
}
_ON_NO_TOOTH = {
    "exam": "an examination",
    "radiograph": "a film or scan",
    "radiograph_3d": "a three-dimensional film",
    "diagnostic_test": "a test of the pulp",
    "recall_hygiene": "a cleaning",
    "perio": "gum treatment",
    "night_guard": "a bite guard",
    "occlusal_adjustment": "the bite adjusted",
    "emergency": "a visit for pain",
    "referral": "an opinion for another dentist",
    "biopsy": "a sample of tissue",
    "missed_appointment": "an appointment missed or cancelled: the patient was not seen",
    "bookkeeping": "a payment, an adjustment or a note: the patient was not seen",
    "other": "anything else: a contact and nothing more",
}

EVENTS: dict[str, str] = {**_ON_A_TOOTH, **_ON_SEVERAL_TEETH, **_ON_NO_TOOTH}
TOOTH_LEVEL = frozenset(_ON_A_TOOTH)
# Of a field of the ledger that most rows cannot hold: the events whose rows can. A cleaning has no tooth.
COULD_HOLD = {
    "tooth": TOOTH_LEVEL,
    "tooth_fdi": TOOTH_LEVEL,
    "surface": frozenset({"direct_restoration", "interim_filling", "inlay", "onlay"}),
    "reason": frozenset({"extraction", "extraction_impacted", "extraction_primary"}),
}
TOOTH_OPTIONAL = frozenset(_ON_SEVERAL_TEETH)

ALIASES: dict[str, str] = {
    "crown": "crown_placement",
    "root_canal": "endo_initial",
    "retreatment": "endo_retreatment",
    "bridge_retainer": "bridge_retainer_crown",
    "pontic": "bridge_pontic",
    "recement": "crown_recement",
    "repair": "crown_repair",
    "crown_removed": "crown_removal",
    "pulpectomy": "endo_emergency",
    "pulpal_debridement": "endo_emergency",
    "apicoectomy": "apical_surgery",
    "root_resection": "root_loss",
    "pulp_cap": "vital_pulp",
    "temporary_crown": "crown_interim",
    "retainer_onlay": "bridge_retainer_onlay",
    "retainer_inlay": "bridge_retainer_inlay",
    "implant_crown": "implant",
    "missing": "tooth_missing",
    "denture": "denture_tooth",
    "filling": "direct_restoration",
    "post": "post_core",
    "splinting": "splint",
    "missed": "missed_appointment",
    "cancelled": "missed_appointment",
    "no_show": "missed_appointment",
    "payment": "bookkeeping",
    "adjustment": "bookkeeping",
    "note": "bookkeeping",
    "cone_beam": "radiograph_3d",
}

TOOTH_CLASSES = ("anterior", "premolar", "molar")
POSTS = ("cast", "prefabricated", "fiber")
CORES = ("composite", "amalgam", "glass_ionomer", "resin_modified_glass_ionomer", "cast")
# What the detail of a code may be, by event; an event that is not here has none. Only crowns and their kin have a
# material: what the number of a filling, a post or a root canal says can never be read as one.
DETAILS: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(
        (
            "crown_placement",
            "crown_prefabricated",
            "bridge_retainer_crown",
            "bridge_retainer_bonded",
            "bridge_retainer_onlay",
            "bridge_retainer_inlay",
            "bridge_pontic",
            "onlay",
            "inlay",
            "veneer",
        ),
        MATERIALS,
    ),
    **dict.fromkeys(("post_core", "post_core_addon"), POSTS),
    "core": CORES,
    "direct_restoration": ("one_surface",),
    **dict.fromkeys(
        (
            "endo_initial",
            "endo_initial_stage",
            "endo_retreatment",
            "endo_retreatment_stage",
            "apical_surgery",
            "resorption_surgery",
        ),
        TOOTH_CLASSES,
    ),
}
_ANY_DETAIL = tuple(dict.fromkeys(word for words in DETAILS.values() for word in words))


@dataclass(frozen=True)
class Override:
    """A change under `[codes]`: what a code stands for (None: as the list has it) and the detail that it says."""

    event: str | None
    detail: str | None = None


def built_in(system: str) -> pl.DataFrame:
    """One of the lists that come with the package: `code, event, detail`, one row per code."""
    return _all_built_in().filter(pl.col("system") == system).select(*SCHEMA)


@cache
def _all_built_in() -> pl.DataFrame:
    with files("pipeline").joinpath("data", "codes.csv").open("rb") as stream:
        return pl.read_csv(stream.read(), infer_schema=False)


def read_code_file(path: Path) -> pl.DataFrame:
    """A practice's own list: a CSV with the headings code, event and, if wanted, detail.

    Raises
    ------
    ConfigError
        If the file is missing, lacks a heading, names a code twice, or has a word that is not ours or a detail that its
        event cannot have.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.DictReader(stream))
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"code_system: {path.name} cannot be read as a UTF-8 CSV file.") from error
    if not rows or not {"code", "event"} <= rows[0].keys():
        raise ConfigError(f"code_system: {path.name} needs the headings code,event (and detail, if you like) and rows.")
    _refuse_open(rows, path.name)
    found = [_row(row, where=f"{path.name}, row {n}") for n, row in enumerate(rows, 1)]
    table = pl.DataFrame(found, schema=SCHEMA)
    if n := table["code"].is_duplicated().sum() or table.filter(pl.col("code") == "").height:
        raise ConfigError(
            f"code_system: {path.name} has {n} rows whose code is empty or there twice. Keep one of each."
        )
    return table


def _refuse_open(rows: Sequence[Mapping[str, str | None]], file: str) -> None:
    if not (asked := [n for n, row in enumerate(rows, 1) if _snake(row["event"] or "") == ASK]):
        return
    codes = ", ".join(_normal(rows[n - 1]["code"] or "") for n in asked[:_MOST_TOLD])
    more = f" and {len(asked) - _MOST_TOLD} more" if len(asked) > _MOST_TOLD else ""
    raise ConfigError(
        f'{file}: {len(asked)} of {len(rows)} codes still say "{ASK}": {codes}{more}.\n'
        "  Open it and put in the column event what each code stands for: crown, root_canal, retreatment, extraction, "
        "core, post, filling, exam, recall_hygiene, radiograph, other (a contact and nothing more) and the like."
    )


def read_overrides(raw: Mapping[str, object]) -> dict[str, Override]:
    """The changes under `[codes]`: `D2740 = "crown"` or `D2740 = { event = "crown", material = "zirconia" }`.

    `detail` says what `material` says, and is for events other than crowns too: `{ event = "post", detail = "fiber" }`.
    A detail alone leaves the event as the code list has it.

    Raises
    ------
    ConfigError
        If an entry has another form, or a word in it is not ours.
    """
    return {code: _override(said, where=f"[codes] {code}") for code, said in raw.items()}


def with_overrides(table: pl.DataFrame, overrides: Mapping[str, Override], *, system: str) -> pl.DataFrame:
    """`table` with the changes of `overrides` (code to change) put over it; new codes are added.

    Raises
    ------
    ConfigError
        If a code is there twice in different spellings, an unknown code is given a detail and no event, or a detail is
        none that the event can have.
    """
    if not overrides:
        return table
    rows = [(code, change.event, change.detail) for code, change in overrides.items()]
    new = pl.DataFrame(rows, schema=SCHEMA, orient="row").with_columns(normalise_code(pl.col("code"), system=system))
    if twice := new.filter(pl.col("code").is_duplicated())["code"].unique().sort().to_list():
        raise ConfigError(f"[codes] names {', '.join(twice)} twice, in different spellings. Keep one of each.")
    new = new.join(table, on="code", how="left", suffix="_listed").with_columns(pl.coalesce("event", "event_listed"))
    if nameless := new.filter(pl.col("event").is_null())["code"].sort().to_list():
        raise ConfigError(
            f"[codes] {', '.join(nameless)}: not in the code list, so it needs an event besides the detail, "
            'e.g. { event = "crown", material = "zirconia" }.'
        )
    for code, event, detail in new.select(*SCHEMA).drop_nulls().iter_rows():
        _fitting(detail, event, where=f"[codes] {code}")
    listed = pl.when(pl.col("event") == pl.col("event_listed")).then(pl.col("detail_listed"))
    new = new.with_columns(pl.coalesce("detail", listed)).select(*SCHEMA)
    return pl.concat([table.join(new, on="code", how="anti"), new]).sort("code")


def _row(row: Mapping[str, str | None], *, where: str) -> dict[str, str | None]:
    event = event_word(row["event"] or "", where=where)
    detail = _snake(row.get("detail") or "")
    return {"code": _normal(row["code"] or ""), "event": event, "detail": _fitting(detail or None, event, where=where)}


def _override(said: object, *, where: str) -> Override:
    if isinstance(said, str):
        return Override(event_word(said, where=where))
    if not isinstance(said, Mapping) or not said or not all(isinstance(v, str) for v in said.values()):
        raise ConfigError(f'{where} must be a word, or {{ event = "crown", material = "zirconia" }}.')
    if strange := sorted(said.keys() - {"event", "material", "detail"}):
        raise ConfigError(f'{where}: "{strange[0]}" is not known here. Known: event, material, detail.')
    if {"material", "detail"} <= said.keys():
        raise ConfigError(f"{where}: material and detail say the same. Keep one of them.")
    event = event_word(said["event"], where=where) if "event" in said else None
    for key, known in (("material", MATERIALS), ("detail", _ANY_DETAIL)):
        if (word := _snake(said.get(key, ""))) and word not in known:
            raise ConfigError(f'{where}: "{said[key]}" is no {key} that we know: {", ".join(known)}.')
    return Override(event, _snake(said.get("material", said.get("detail", ""))) or None)


def _fitting(detail: str | None, event: str, *, where: str) -> str | None:
    words = DETAILS.get(event, ())
    if detail is None or detail in words:
        return detail
    may = f"It may be: {', '.join(words)}." if words else "That event has none."
    raise ConfigError(f'{where}: "{detail}" is no detail of {event}. {may}')


def event_word(word: str, *, where: str) -> str:
    """Our word for an event, from our own or a plain one of `ALIASES`.

    Raises
    ------
    ConfigError
        If it is neither; the message lists the nearest words.
    """
    normal = _snake(word)
    normal = ALIASES.get(normal, normal)
    if normal in EVENTS:
        return normal
    near = difflib.get_close_matches(normal, [*EVENTS, *ALIASES], n=4, cutoff=0.4) or ["crown", "root_canal", "other"]
    raise ConfigError(f'{where}: "{word}" is no event that we know. Near ones: {", ".join(near)}.')


def normalise_code(code: pl.Expr, *, system: str = "cdt") -> pl.Expr:
    """Codes as they are stored: upper case, without blanks, and without the `.0` that a spreadsheet adds.

    In `cdt` a bare four-digit number gets its D; in `ada_au` and `de` a number that lost its leading zero gets it back.
    In `de` a short name in brackets after the number is left out, and Ä is written AE. In `nl` the star that marks
    costs of the laboratory is left out.
    """
    code = code.str.to_uppercase().str.replace_all(r"\s+", "").str.replace(r"^(D?\d+)\.0+$", "${1}")
    if system == "cdt":
        return code.str.replace(r"^(\d{4})$", "D${1}")
    if system == "ada_au":
        return code.str.replace(r"^(\d{2})$", "0${1}")
    if system == "de":  # 32 (WK), and 01 from which a spreadsheet took the zero
        return code.str.replace(r"\(\w+\)$", "").str.replace(r"^(\d)$", "0${1}").str.replace("^Ä", "AE")
    if system == "nl":
        return code.str.strip_chars_end("*")
    return code


def normal_code(code: str, *, system: str) -> str:
    """`normalise_code` for one text."""
    code = re.sub(r"^(D?\d+)\.0+$", r"\1", "".join(code.split()).upper())
    if system == "cdt":
        return f"D{code}" if re.fullmatch(r"[0-9]{4}", code) else code
    if system == "ada_au":
        return f"0{code}" if re.fullmatch(r"[0-9]{2}", code) else code
    if system == "de":
        code = re.sub(r"\(\w+\)$", "", code)
        code = f"0{code}" if re.fullmatch(r"[0-9]", code) else code
        return "AE" + code[1:] if code.startswith("Ä") else code
    return code.rstrip("*") if system == "nl" else code


def normal_own_code(code: str) -> str:
    """A code of a practice's own list as it is compared with those of a ledger."""
    return _normal(code)


def _normal(code: str) -> str:
    return re.sub(r"^'(?=.)", "", "".join(code.split()).upper())


def _snake(word: str) -> str:
    return word.strip().lower().replace(" ", "_").replace("-", "_")
