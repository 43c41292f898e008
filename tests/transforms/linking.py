"""The whole linking step on a drawn ledger, for the tests of every rule.

`run` also links the telling rows alone, as they are gathered from a store, and all rows in another order with other
names for the clinicians, and holds the results equal: of every ledger in `make thorough`, else of one in ten.
"""

from __future__ import annotations

import dataclasses
import os
import zlib
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl
from drawn import frame, procedures, table
from polars.testing import assert_frame_equal

from pipeline.practice.read_tables import STORED_LOADS
from pipeline.practice.tables import (
    CROWN_DETAILS,
    CROWNS,
    ELSEWHERE,
    ELSEWHERE_HINTS,
    ENDO_COURSES,
    FINDINGS,
    PATIENTS,
    PROCEDURES,
)
from pipeline.storing.store import open_store
from pipeline.transforms.link import Linked, LinkInput, event_codes, link
from pipeline.transforms.rules import LinkRules

ONE_IN = 1 if os.environ.get("THOROUGH") else 10

# What each code of the drawn ledgers stands for: the kind of thing, and a detail where the kind has one.
_KINDS: dict[str, tuple[str, str | None]] = {
    "CROWN": ("crown_placement", "metal"),
    "CERAM": ("crown_placement", "glass_ceramic"),
    "ONLAY": ("onlay", None),
    "PREFAB": ("crown_prefabricated", None),
    "RETAIN": ("bridge_retainer_crown", None),
    "RETONL": ("bridge_retainer_onlay", None),
    "RETINL": ("bridge_retainer_inlay", None),
    "WING": ("bridge_retainer_bonded", None),
    "VENEER": ("veneer", None),
    "INLAY": ("inlay", None),
    "TEMP": ("crown_interim", None),
    "OFF": ("crown_removal", None),
    "RECEM": ("crown_recement", None),
    "MEND": ("crown_repair", None),
    "FILL": ("direct_restoration", None),
    "FILL1": ("direct_restoration", "one_surface"),
    "ENDO": ("endo_initial", None),
    "ENDOM": ("endo_initial", "molar"),
    "REDO": ("endo_retreatment", None),
    "PULP": ("endo_emergency", None),
    "POTOMY": ("pulpotomy", None),
    "GIVEUP": ("endo_incomplete", None),
    "POST": ("post_core", None),
    "APICO": ("apical_surgery", None),
    "APICOF": ("apical_surgery", "anterior"),
    "ROOT": ("root_loss", None),
    "OUT": ("extraction", None),
    "CORON": ("coronectomy", None),
    "BACK": ("replantation", None),
    "IMPL": ("implant", None),
    "PONT": ("bridge_pontic", None),
    "DENT": ("denture_tooth", None),
    "GONE": ("tooth_missing", None),
    "EXAM": ("exam", None),
    "CLEAN": ("recall_hygiene", None),
    "MISSED": ("missed_appointment", None),
    "PAID": ("bookkeeping", None),
}
CODES = pl.DataFrame(
    [(code, *kind) for code, kind in _KINDS.items()],
    schema={"code": pl.String, "event": pl.String, "detail": pl.String},
    orient="row",
)


def run(
    ledger: str, *, details: str = "", patients: str = "", findings: str = "", elsewhere: str = "", **rules: object
) -> Linked:
    tables = LinkInput(
        procedures=procedures(ledger).lazy(),
        patients=(table(patients, PATIENTS) if patients else PATIENTS.empty()).lazy(),
        crown_details=(table(details, CROWN_DETAILS) if details else CROWN_DETAILS.empty()).lazy(),
        findings=(table(findings, FINDINGS) if findings else FINDINGS.empty()).lazy(),
        elsewhere=(table(elsewhere, ELSEWHERE) if elsewhere else ELSEWHERE.empty()).lazy(),
    )
    linked = link(tables, CODES, LinkRules(**rules))  # type: ignore[arg-type]
    if zlib.crc32(ledger.encode()) % ONE_IN == 0:
        assert_mere_contacts_may_be_summed_up(tables, linked, LinkRules(**rules))  # type: ignore[arg-type]
        assert_neither_order_nor_names_matter(tables, linked, LinkRules(**rules))  # type: ignore[arg-type]
    CROWNS.check(linked.crowns)
    ENDO_COURSES.check(linked.endo_courses)
    ELSEWHERE_HINTS.check(linked.elsewhere_hints)
    return linked


def assert_mere_contacts_may_be_summed_up(tables: LinkInput, linked: Linked, rules: LinkRules) -> None:
    """Linking the telling rows and the days of the others gives what linking all rows gives."""
    with TemporaryDirectory() as folder, open_store(Path(folder) / "p.duckdb") as store:
        store.append(PROCEDURES, tables.procedures.collect().select(*PROCEDURES.columns))
        load = {c: 1 if t in (pl.Int32(), pl.Int64()) else "x" for c, t in STORED_LOADS.schema.items()}
        store.append(ELSEWHERE, tables.elsewhere.collect())
        store.append(STORED_LOADS, pl.DataFrame([load], schema=STORED_LOADS.schema))
        with store.linking.gathered(event_codes(CODES), until=rules.data_cutoff) as gathered:
            frames, left_out, fees_kept = gathered.frames(), gathered.left_out, gathered.fees_kept
    rows, days = frames["procedures"].lazy(), frames["contacts"].lazy()
    reduced = dataclasses.replace(
        tables,
        procedures=rows,
        contacts=days,
        contacts_until=rules.data_cutoff,
        left_out=left_out,
        fees_kept=fees_kept,
    )
    again = link(reduced, CODES, rules)
    for name in ("crowns", "endo_courses", "tooth_followup", "elsewhere_hints", "set_aside"):
        assert_frame_equal(getattr(again, name), getattr(linked, name))
    assert (again.cutoff, again.counts) == (linked.cutoff, linked.counts)


def assert_neither_order_nor_names_matter(tables: LinkInput, linked: Linked, rules: LinkRules) -> None:
    """Linking the rows in another order, with clinicians called otherwise, gives the same but for their names."""

    def mixed(rows: pl.LazyFrame) -> pl.LazyFrame:
        other = rows.collect().sample(fraction=1, shuffle=True, seed=11)
        numbered = other.with_columns(row_number=pl.int_range(1, pl.len() + 1, dtype=pl.Int64))
        if "provider_id" in numbered.columns:
            numbered = numbered.with_columns(provider_id=pl.col("provider_id").replace({"a": "z", "b": "c", "c": "b"}))
        return numbered.lazy()

    names = ("procedures", "patients", "crown_details", "findings", "elsewhere")
    again = link(LinkInput(**{name: mixed(getattr(tables, name)) for name in names}), CODES, rules)
    for name in ("crowns", "endo_courses", "tooth_followup", "elsewhere_hints"):
        found, wanted = (getattr(result, name).drop("provider_id", strict=False) for result in (again, linked))
        assert_frame_equal(found, wanted)
    assert (again.begin, again.cutoff, again.counts) == (linked.begin, linked.cutoff, linked.counts)


def assert_crowns(linked: Linked, expected: str) -> None:
    wanted = frame(expected)
    assert_frame_equal(linked.crowns.select(wanted.columns), wanted)


def assert_courses(linked: Linked, expected: str) -> None:
    wanted = frame(expected)
    assert_frame_equal(linked.endo_courses.select(wanted.columns), wanted)
