"""Whether answers and pages stand as they are; loads no statistics, so that a run in which nothing is new ends soon."""

import dataclasses
import datetime as dt
import hashlib
import json
from collections.abc import Sequence
from pathlib import Path

from pipeline.practice.own_question import LOG
from pipeline.practice.settings import Machine, Settings
from pipeline.practice.talk import Talk
from pipeline.reading.config import contribution_files, members_file
from pipeline.stages.answered_before import ANSWERED, DRAWN, RESULTS, digest_of, file_digests
from pipeline.storing.store import Store, open_store

PACKAGES = ("toothyears", "polars", "duckdb", "numpy", "scipy", "lifelines", "python-pptx")
PRACTICE_CODE, SIGNING_KEYS = "practice_code", "signing_keys"


def digest_of_answers(store: Store, settings: Settings) -> str:
    """A digest of what the answers hang on beside what was read and linked: settings, and files of other practices."""
    paths = contribution_files(settings)
    if settings.evidence.members is not None:
        paths.append(members_file(settings))
    own = [store.text(PRACTICE_CODE), store.text(SIGNING_KEYS)] if paths else []
    counts = dataclasses.replace(settings, path=Path(), tables={}, machine=Machine(), talk=Talk(), ask=())
    return digest_of(counts, file_digests(paths), own, packages=PACKAGES)


def answers_stand(store: Store, settings: Settings) -> bool:
    """Whether the results that are stored answer the same questions of the same rows by the same program."""
    return store.is_done("compare") and store.text(ANSWERED) == digest_of_answers(store, settings)


def pages_stand(settings: Settings, out: Path, *, today: dt.date) -> bool:
    """Whether `out` holds, byte by byte, the pages and slides that were drawn of what is stored, asked and told now."""
    with open_store(settings.practice.database, read_only=True, must_exist=True) as store:
        kept = json.loads(store.text(DRAWN) or "{}")
        if not kept or not answers_stand(store, settings):
            return False
        return bool(kept == _drawn(store, settings, out, list(kept["files"]), today=today))


def note_pages(settings: Settings, out: Path, files: Sequence[str], *, today: dt.date) -> None:
    """Note that these files of `out` were drawn of what is stored, asked and told now; see `pages_stand`."""
    with open_store(settings.practice.database, must_exist=True) as store, store.transaction():
        store.save_text(DRAWN, json.dumps(_drawn(store, settings, out, files, today=today)))


def _drawn(store: Store, settings: Settings, out: Path, files: Sequence[str], *, today: dt.date) -> dict[str, object]:
    results = hashlib.sha256((store.text(RESULTS) or "").encode()).hexdigest()
    of = (results, store.text(LOG), settings, out.resolve(), today)
    digest = digest_of(*of, packages=PACKAGES, program=("pipeline", "dashboards"))
    return {"of": digest, "files": file_digests(out / name for name in files)}
