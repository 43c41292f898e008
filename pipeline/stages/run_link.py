"""The linking stage: what is stored is linked, whole or in parts, and stored again. Loads little, as workers do too."""

import dataclasses
import datetime as dt
import json
import math
import shutil
from collections.abc import Callable
from pathlib import Path

from pipeline.practice.counts import count
from pipeline.practice.settings import Settings
from pipeline.practice.tables import LINKED_TABLES
from pipeline.reading.config import code_table
from pipeline.stages.scale.link_partitions import LinkedParts, link_in_parts
from pipeline.stages.scale.run_partitions import workers_for
from pipeline.stages.standing import LINKED, digest_of
from pipeline.storing.facts import TELLING
from pipeline.storing.rows_to_link import Gathered
from pipeline.storing.store import open_store
from pipeline.transforms.coded_details import telling_codes_of
from pipeline.transforms.link import Linked, LinkInput, event_codes, link
from pipeline.transforms.rules import LinkRules

Say = Callable[[str], None]
LINK_COUNTS = "link_counts"
PARTS_ON_A_CLUSTER = 64
PACKAGES = ("polars", "duckdb", "numpy")  # that linking counts with


def link_stage(
    settings: Settings, *, say: Say, parts: int | None = None, workers: int = 1, cluster: str | None = None
) -> Path:
    """Link what is stored; returns the database's path.

    Patients are linked in groups if there are several of `parts` or `workers`, on a Dask `cluster`, or where there are
    more rows than the memory that the settings allow can take at once. The result is the same. Where it would be the
    one that is stored, and nobody asks for groups, nothing is linked.
    """
    codes, rules = code_table(settings), link_rules(settings)
    coded = telling_codes_of(codes)
    telling = json.dumps({"codes": sorted(coded), "until": _iso(rules.data_cutoff)})
    with open_store(settings.practice.database, must_exist=True, memory_mb=settings.machine.memory_mb) as store:
        store.require("ingest")
        digest = digest_of(settings.practice, settings.codes, rules, packages=PACKAGES)
        in_groups = parts is not None or workers > 1 or cluster is not None
        if store.is_done("link") and store.text(LINKED) == digest and not in_groups:
            say("nothing was read since it was linked: it stands")
            return settings.practice.database
        say("linking root canals, crowns and extractions of one tooth")
        with store.linking.gathered(event_codes(codes), until=rules.data_cutoff) as gathered:
            wanted = parts or _parts_for(settings, gathered.rows, workers=workers, cluster=cluster is not None)
            if max(wanted, workers) > 1 or cluster is not None:
                with workers_for(workers, cluster) as executor:
                    found: Linked | LinkedParts = link_in_parts(
                        gathered, codes, rules, parts=wanted, folder=store.parts_folder, executor=executor, say=say
                    )
                say("numbering and storing what was linked")
            else:
                found = link(link_input(gathered), codes, rules)
            rows = (
                found.places
                if isinstance(found, LinkedParts)
                else {t.name: getattr(found, t.name) for t in LINKED_TABLES}
            )
            with store.transaction():
                crowns, courses = store.linking.replace_linked(rows, coded=coded)
                store.set_aside(found.set_aside)
                days = {"begin": _iso(found.begin), "cutoff": _iso(found.cutoff)}
                store.save_text(LINK_COUNTS, json.dumps({**days, "counts": found.counts}))
                store.mark_done("link")
                store.save_text(LINKED, digest)
                store.save_text(TELLING, telling)
            if isinstance(found, LinkedParts):
                shutil.rmtree(store.parts_folder, ignore_errors=True)
    say(f"{count(crowns, 'crown')} and {count(courses, 'course')} of root canal treatment linked")
    return settings.practice.database


def link_input(gathered: Gathered) -> LinkInput:
    """What was gathered, as linking takes it."""
    rows = {name: rows.lazy() for name, rows in gathered.frames().items()}
    return LinkInput(**rows, contacts_until=gathered.until, fees_kept=gathered.fees_kept, left_out=gathered.left_out)


def link_rules(settings: Settings) -> LinkRules:
    """The linking rules in force."""
    return LinkRules(**dataclasses.asdict(settings.rules), posted_at_prep=settings.practice.crown_date == "prep")


def _parts_for(settings: Settings, rows: int, *, workers: int, cluster: bool) -> int:
    """In how many parts to link, if nobody says: as many as the memory asks for, some for each worker."""
    for_memory = math.ceil(rows * workers / settings.machine.rows_linked_at_once())
    return max(for_memory, PARTS_ON_A_CLUSTER if cluster else 4 * workers if workers > 1 else 1)


def _iso(day: dt.date | None) -> str | None:
    return day.isoformat() if day else None
