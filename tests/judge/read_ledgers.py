"""Ledgers drawn in `ledgers/*.toml`: read, turned into rows for the plain linker, and written as a practice's files."""

from __future__ import annotations

import csv
import datetime as dt
import tomllib
from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline.reading.doubts.signs import SIGNS
from tests.judge.plain_linker import Detail, Elsewhere, Finding, Person, Row, Rules

FOLDER = Path(__file__).parent / "ledgers"
DAY_0 = dt.date(2012, 1, 2)
RECORDS_BEGIN = dt.date(2005, 1, 3)
CUTOFF = dt.date(2025, 12, 31)

# What each code of the ledgers is, written apart from the project's own list.
NO_TOOTH = {"D0120": "exam", "D1110": "recall_hygiene", "D9986": "missed_appointment"}
CODES: dict[str, tuple[str, str | None]] = {
    **{code: (event, None) for code, event in NO_TOOTH.items()},
    "D2140": ("direct_restoration", "one_surface"),
    "D2391": ("direct_restoration", "one_surface"),
    "D2510": ("inlay", None),
    "D2542": ("onlay", None),
    "D2642": ("onlay", None),
    "D2740": ("crown_placement", None),
    "D2750": ("crown_placement", "metal_ceramic"),
    "D2790": ("crown_placement", "metal"),
    "D2799": ("crown_interim", None),
    "D2920": ("crown_recement", None),
    "D2930": ("crown_prefabricated", None),
    "D2931": ("crown_prefabricated", None),
    "D2950": ("core", None),
    "D2952": ("post_core", None),
    "D2954": ("post_core", None),
    "D2956": ("crown_removal", None),
    "D2962": ("veneer", None),
    "D2980": ("crown_repair", None),
    "D3220": ("pulpotomy", None),
    "D3221": ("endo_emergency", None),
    "D3310": ("endo_initial", "anterior"),
    "D3320": ("endo_initial", "premolar"),
    "D3330": ("endo_initial", "molar"),
    "D3332": ("endo_incomplete", None),
    "D3346": ("endo_retreatment", "anterior"),
    "D3347": ("endo_retreatment", "premolar"),
    "D3348": ("endo_retreatment", "molar"),
    "D3410": ("apical_surgery", None),
    "D3421": ("apical_surgery", None),
    "D3425": ("apical_surgery", None),
    "D3450": ("root_loss", None),
    "D5650": ("denture_tooth", None),
    "D6010": ("implant", None),
    "D6058": ("implant", None),
    "D6245": ("bridge_pontic", None),
    "D6545": ("bridge_retainer_bonded", None),
    "D6600": ("bridge_retainer_inlay", None),
    "D6608": ("bridge_retainer_onlay", None),
    "D6750": ("bridge_retainer_crown", "metal_ceramic"),
    "D7140": ("extraction", None),
    "D7210": ("extraction", None),
    "D3470": ("replantation", None),
    "D7270": ("replantation", None),
    "X0001": ("tooth_missing", None),
}


@dataclass(frozen=True)
class Expected:
    """One field that the ledger fixes: of which table, whose row (`None`: the count of rows), and its value."""

    line: str
    table: str
    of_others: bool
    place: str | None
    field: str | None
    value: str

    def wanted(self) -> object:
        """The value as the tables hold it."""
        if self.field == "crown_at_start":  # whose word for no crown is none
            return self.value
        if self.value in ("none", "true", "false"):
            return {"none": None, "true": True, "false": False}[self.value]
        name = self.field or ""
        if name.endswith("_date") or name in ("started", "completed"):
            return day_of(self.value)
        return int(self.value) if self.value.lstrip("-").isdigit() else self.value


@dataclass(frozen=True)
class Ledger:
    """One drawn case."""

    key: str  # the patient's id where it is loaded
    name: str
    practice: str
    cutoff: dt.date
    rows: list[tuple[str, Row]]  # the tooth as written, the row
    details: list[tuple[str, Detail]]
    findings: list[tuple[str, Finding]]
    elsewhere: list[tuple[str, Elsewhere]]
    person: Person
    expected: list[Expected]

    @property
    def group(self) -> tuple[str, dt.date, bool]:
        """Ledgers that may share one practice."""
        return self.practice, self.cutoff, bool(self.elsewhere)

    @property
    def rules(self) -> Rules:
        """The rules of its practice."""
        done = [r.day for _, r in self.rows if r.status == "completed" and r.day]
        return replace(
            Rules(),
            data_cutoff=self.cutoff,
            posted_at_prep=self.practice == "prep",
            fees_are_kept=self.practice != "no_fees",
            records_begin=min(done) if self.practice == "alone" else RECORDS_BEGIN,
        )

    def teeth(self) -> list[int]:
        """The permanent teeth named, in their order."""
        return sorted({r.tooth for _, r in self.rows if r.tooth} | {e.tooth for _, e in self.elsewhere})


def all_ledgers() -> list[Ledger]:
    """Every ledger, in the order of files and places."""
    found = []
    for path in sorted(FOLDER.glob("*.toml")):
        for raw in tomllib.loads(path.read_text(encoding="utf-8"))["ledger"]:
            found.append(_ledger(raw, f"L{len(found) + 1:03d}"))
    return found


def day_of(text: str) -> dt.date | None:
    """A day of the ledger (a number), a date, or `-`."""
    if text == "-":
        return None
    return dt.date.fromisoformat(text) if text.count("-") == 2 else DAY_0 + dt.timedelta(days=int(text))


def fdi(universal: str) -> int | None:
    """The permanent tooth of a Universal number; None for a primary or an extra tooth."""
    if not universal.isdigit() or not 1 <= int(universal) <= 32:
        return None
    quadrant, place = divmod(int(universal) - 1, 8)
    return (quadrant + 1) * 10 + (8 - place if quadrant in (0, 2) else place + 1)


def _words(text: str) -> list[tuple[list[str], dict[str, str]]]:
    lines = [line.split() for line in text.strip().splitlines() if line.strip()]
    return [([w for w in ws if "=" not in w], dict(w.split("=", 1) for w in ws if "=" in w)) for ws in lines]


def _ledger(raw: dict[str, Any], key: str) -> Ledger:
    practice = raw.get("practice", "main")
    ordinary = None if practice == "no_fees" else 1000.0
    rows = [_row(day, code, told, ordinary) for (day, code), told in _words(raw["rows"])]
    details = [
        (
            tooth,
            Detail(
                fdi(tooth) or 0,
                day_of(told.get("prep", "-")),
                day_of(told.get("seat", "-")),
                told.get("material"),
                told.get("post"),
                told.get("pulp_status_at_prep"),
            ),
        )
        for (tooth,), told in _words(raw.get("details", ""))
    ]
    findings = [
        (tooth, Finding(_sure(day), fdi(tooth) or 0, {"yes": True, "no": False}.get(told.get("in_place", ""))))
        for (day, tooth), told in _words(raw.get("findings", ""))
    ]
    elsewhere = [
        (
            tooth,
            Elsewhere(fdi(tooth) or 0, event, None if _is_year(when) else day_of(when), _is_year(when)),
        )
        for (tooth, event, when), _ in _words(raw.get("elsewhere", ""))
    ]
    told = _words(raw.get("patient", ""))[0][1] if raw.get("patient") else {}
    person = Person(day_of(told.get("last", "-")), day_of(told.get("death", "-")))
    cutoff = _sure(str(raw["cutoff"])) if "cutoff" in raw else CUTOFF
    expected = [_expected(line) for line in raw["expect"].strip().splitlines()]
    return Ledger(key, raw["name"], practice, cutoff, rows, details, findings, elsewhere, person, expected)


def _row(day: str, code: str, told: dict[str, str], ordinary: float | None) -> tuple[str, Row]:
    event, detail = CODES[code.upper()]
    tooth = "" if code in NO_TOOTH else told.get("t", "30")
    fee = ordinary if "f" not in told else None if told["f"] == "-" else float(told["f"])
    status = told.get("st", "completed")
    if status == "existing" and "f" not in told:
        fee = None
    row = Row(
        day_of(day), event, fdi(tooth), code, detail, told.get("s"), told.get("p", "DR1"), status, fee, told.get("r")
    )
    return tooth, row


def _sure(text: str) -> dt.date:
    day = day_of(text)
    assert day is not None
    return day


def _is_year(text: str) -> int | None:
    """A number of four digits from 1900 on is a year; days of ledgers stay below."""
    return int(text) if text.isdigit() and 1900 <= int(text) <= 2100 and len(text) == 4 else None


def _expected(line: str) -> Expected:
    said, value = (part.strip() for part in line.split("="))
    words = said.split()
    of_others = words[0] == "elsewhere"
    words = words[1:] if of_others else words
    table = "crowns" if words[0].startswith("crown") else "courses"
    place, field = (words[1], words[2]) if len(words) == 3 else (None, None)
    return Expected(line.strip(), table, of_others, place, field, value)


def found_by(expected: Expected, tables: dict[str, list[dict[str, Any]]]) -> object:
    """What the linked rows of the ledger's patient hold where the ledger expects something."""
    rows = [r for r in tables[expected.table] if bool(r.get("done_elsewhere")) == expected.of_others]
    if expected.place is None:
        return len(rows)
    start = "seat_date" if expected.table == "crowns" else "started"
    rows.sort(key=lambda r: (r["tooth_fdi"], r[start] or dt.date.min))
    if expected.place.startswith("@"):
        day, _, tooth = expected.place[1:].partition("/")
        rows = [r for r in rows if r[start] == day_of(day) and (not tooth or r["tooth_fdi"] == fdi(tooth))]
        number = 0
    else:
        number = int(expected.place) - 1
    if len(rows) <= number:
        return "no such row"
    return rows[number].get(expected.field or "", "no such column")


# A practice's files


def tables_of(database: Path) -> dict[str, dict[str, list[dict[str, Any]]]]:
    """What is stored of each patient: the rows of `crowns` and `courses`, each as a dictionary."""
    import duckdb  # not before a fork: see tests/mutants

    tables: dict[str, dict[str, list[dict[str, Any]]]] = defaultdict(lambda: {"crowns": [], "courses": []})
    with duckdb.connect(str(database), read_only=True) as store:
        for name, table in (("crowns", "crowns"), ("courses", "endo_courses")):
            rows = store.execute(f"SELECT * FROM {table}")
            names = [column[0] for column in rows.description]
            for row in rows.fetchall():
                told = dict(zip(names, row, strict=True))
                tables[told["patient_id"]][name].append(told)
    return tables


def write_practice(folder: Path, ledgers: list[Ledger]) -> Path:
    """The ledgers of one group as the files of one practice; returns its PRACTICE.toml."""
    practice, cutoff, _ = ledgers[0].group
    rows: dict[str, list[dict[str, object]]] = defaultdict(list)
    for one in ledgers:
        who = {"patient": one.key}
        for tooth, r in one.rows:
            rows["procedures"].append(
                who
                | {"date": r.day or "", "code": r.code, "tooth": tooth, "surface": r.surface or ""}
                | {"provider": r.provider, "status": r.status, "fee": "" if r.fee is None else f"{r.fee:.2f}"}
                | {"reason": r.reason or ""}
            )
        for tooth, d in one.details:
            told = {"prep_date": d.prep, "seat_date": d.seat, "material": d.material, "post": d.post}
            told["pulp_status_at_prep"] = d.pulp
            rows["crown_details"].append(who | {"tooth": tooth} | {k: v or "" for k, v in told.items()})
        for tooth, f in one.findings:
            place = {True: "yes", False: "no", None: ""}[f.crown_in_place]
            pai = 1 if f.crown_in_place is None else ""
            rows["findings"].append(who | {"tooth": tooth, "exam_date": f.day, "pai": pai, "crown_in_place": place})
        for tooth, e in one.elsewhere:
            rows["elsewhere"].append(who | {"tooth": tooth, "event": e.event, "event_date": e.year or e.day or ""})
        last, death = one.person.last_contact or "", one.person.death or ""
        rows["patients"].append(who | {"birth_year": 1960, "last_contact_date": last, "deceased_date": death})
    if practice != "alone":
        first = {"patient": "FIRST", "date": RECORDS_BEGIN, "code": "D1110", "status": "completed", "fee": "90"}
        rows["procedures"].append(first)
    for name, lines in rows.items():
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, list(lines[0]), restval="")
            writer.writeheader()
            writer.writerows(lines)
    toml = folder / "practice.toml"
    toml.write_text(_toml(practice, cutoff, list(rows)), encoding="utf-8")
    return toml


def _toml(practice: str, cutoff: dt.date, tables: list[str]) -> str:
    columns = {"procedures": ', service_date = "date", provider_id = "provider"'}
    lines = [
        "[practice]",
        'name = "Alder Row Dental"',
        'tooth_notation = "universal"',
        'date_format = "%Y-%m-%d"',
        f'crown_date = "{"prep" if practice == "prep" else "seat"}"',
        # Made to try rules, it is like no practice.
        f"accepted = {[sign.id for sign in SIGNS]}",
        "[rules]",
        f"data_cutoff = {cutoff}",
    ]
    for name in tables:
        lines += [
            f"[tables.{name}]",
            f'files = ["{name}.csv"]',
            f'columns = {{ patient_id = "patient"{columns.get(name, "")} }}',
        ]
    if practice == "own_codes":
        lines += ["[codes]", 'X0001 = "tooth_missing"']
    return "\n".join(lines) + "\n"
