"""The stages in their order, each reading what the stage before stored. Every stage is one transaction."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path

from pipeline.codes import code_table
from pipeline.compare import Compared, compare
from pipeline.config import Settings
from pipeline.errors import DataError
from pipeline.ingest import ingest
from pipeline.questions.crown_longevity import Analysis
from pipeline.reasons import REASONS
from pipeline.results import Results, from_plain, to_plain
from pipeline.store import Store, open_store
from pipeline.tables import (
    CROWN_DETAILS,
    CROWNS,
    ENDO_COURSES,
    FINDINGS,
    INPUT_TABLES,
    LOADS,
    PATIENTS,
    QUARANTINE,
    TOOTH_FOLLOWUP,
)
from pipeline.transforms.link import LinkInput, LinkRules, link, telling_codes

Say = Callable[[str], None]
LINK_COUNTS = "link_counts"


def everything(settings: Settings, *, today: dt.date, say: Say) -> Results:
    """Ingest, link and compare."""
    ingest_stage(settings, today=today, say=say)
    link_stage(settings, say=say)
    return compare_stage(settings, say=say)


def ingest_stage(settings: Settings, *, today: dt.date, say: Say) -> Path:
    """Read the practice's files into its database; returns the database's path."""
    report = ingest(settings, today=today, say=say)
    say(
        f"{report.rows_read:,} rows read = {report.loaded:,} loaded + {report.duplicate:,} duplicate "
        f"+ {report.reversed:,} taken back + {report.quarantined:,} set aside"
    )
    return settings.practice.database


def link_stage(settings: Settings, *, say: Say) -> Path:
    """Link what is stored; returns the database's path."""
    with open_store(settings.practice.database, must_exist=True) as store:
        store.require("ingest")
        say("linking root canals, crowns and extractions of one tooth")
        linked = link(_link_input(store, settings), code_table(settings), link_rules(settings))
        with store.transaction():
            store.replace(CROWNS, linked.crowns)
            store.replace(ENDO_COURSES, linked.endo_courses)
            store.replace(TOOTH_FOLLOWUP, linked.tooth_followup)
            store.set_aside(linked.set_aside)
            cutoff = linked.cutoff.isoformat() if linked.cutoff else None
            store.save_text(LINK_COUNTS, json.dumps({"cutoff": cutoff, "counts": linked.counts}))
            store.mark_done("link")
    say(f"{linked.crowns.height:,} crowns and {linked.endo_courses.height:,} courses of root canal treatment linked")
    return settings.practice.database


def compare_stage(settings: Settings, *, say: Say) -> Results:
    """Compare what is linked, and keep the results."""
    with open_store(settings.practice.database, must_exist=True) as store:
        store.require("link")
        kept = json.loads(store.text(LINK_COUNTS) or "{}")
        stored = Compared(
            practice=settings.practice.name,
            crowns=store.read(CROWNS),
            endo_courses=store.read(ENDO_COURSES),
            tooth_followup=store.read(TOOTH_FOLLOWUP),
            inputs={name: store.read(table) for name, table in INPUT_TABLES.items()},
            loads=store.read(LOADS),
            quarantine=store.read(QUARANTINE),
            reasons={code: (reason.meaning, reason.what_to_do) for code, reason in REASONS.items()},
            codes=code_table(settings),
            link_counts=kept.get("counts", {}),
            link_input=_link_input(store, settings),
            link_rules=link_rules(settings),
            cutoff=dt.date.fromisoformat(kept["cutoff"]) if kept.get("cutoff") else None,
            rules=_in_words(settings.rules) | {"crown_date": settings.practice.crown_date},
            settings=_in_words(settings.analysis),
        )
        results = compare(stored, _analysis(settings), say=say)
        with store.transaction():
            store.save_results(json.dumps(to_plain(results)))
            store.mark_done("compare")
    return results


def stored_results(settings: Settings) -> Results:
    """The results that the comparing stage kept."""
    with open_store(settings.practice.database, read_only=True, must_exist=True) as store:
        store.require("compare")
        text = store.results()
    if text is None:
        raise DataError(f"{settings.practice.database.name} holds no results. Run `toothyears compare` first.")
    results: Results = from_plain(Results, json.loads(text))
    return results


def link_rules(settings: Settings) -> LinkRules:
    """The linking rules in force."""
    return LinkRules(**dataclasses.asdict(settings.rules), posted_at_prep=settings.practice.crown_date == "prep")


def _link_input(store: Store, settings: Settings) -> LinkInput:
    until = settings.rules.data_cutoff
    rows, days, left_out = store.linking_rows(telling_codes(code_table(settings)), until=until)
    return LinkInput(
        procedures=rows.lazy(),
        patients=store.read(PATIENTS).lazy(),
        crown_details=store.read(CROWN_DETAILS).lazy(),
        findings=store.read(FINDINGS).lazy(),
        contacts=days.lazy(),
        contacts_until=until,
        left_out=left_out,
    )


def _analysis(settings: Settings) -> Analysis:
    names = {f.name for f in dataclasses.fields(Analysis)}
    return Analysis(**{k: v for k, v in dataclasses.asdict(settings.analysis).items() if k in names})


def _in_words(choices: object) -> dict[str, str]:
    values = dataclasses.asdict(choices)  # type: ignore[call-overload]
    return {name: "not set" if value is None else str(value) for name, value in values.items()}
