"""Whether what was linked, answered and drawn stands: the very work of the very rows by the very program, done before.

What a stage stores is a pure function of what the stages before it stored, the settings and the program. The store
knows whether a stage before has run since (`Store.is_done`); the rest is known by a digest, kept under the stage's
name. Where it differs for no reason the work is done once more, with the same figures. Nothing here loads statistics,
so that a run in which nothing is new ends soon.
"""

import dataclasses
import datetime as dt
import hashlib
import importlib.metadata
import json
import os
import platform
from collections.abc import Iterable, Sequence
from functools import lru_cache
from pathlib import Path

import pipeline
from pipeline.practice.own_question import LOG
from pipeline.practice.settings import Machine, Settings
from pipeline.practice.talk import Talk
from pipeline.reading.config import contribution_files, members_file
from pipeline.storing.store import Store, open_store

# The names under which the store keeps the results, and the digest of what was linked, of what they answer, of what was
# drawn.
RESULTS, LINKED, ANSWERED, DRAWN = "results", "linked", "answered", "drawn"
_ROOT = Path(pipeline.__file__).resolve().parents[1]


def digest_of(*asked: object, packages: Iterable[str], program: Iterable[str] = ("pipeline",)) -> str:
    """A digest of what is asked, by how it is written, of the program's folders and of the packages it counts with.

    What is asked are texts, numbers, days, paths, and tuples, lists, dictionaries and dataclasses of these.
    """
    told = [platform.python_version(), *((name, version(name)) for name in packages)]
    folders = [_program(_ROOT / name) for name in program]
    return hashlib.sha256(repr((asked, told, folders)).encode()).hexdigest()


def file_digests(paths: Iterable[Path]) -> dict[str, str]:
    """SHA-256 of the bytes of files, by their names; of a file that cannot be read, nothing."""
    found = {}
    for path in paths:
        try:
            found[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
        except OSError:
            found[path.name] = ""
    return found


@lru_cache
def _program(folder: Path) -> str:
    """A digest of the files in a folder, and not of the version alone: who works on the program changes it between."""
    whole = hashlib.sha256()
    for root, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if name != "__pycache__")
        for path in (os.path.join(root, name) for name in sorted(names)):
            with open(path, "rb") as file:
                content = file.read()
            whole.update(f"{os.path.relpath(path, folder)}\0{len(content)}\0".encode())
            whole.update(content)
    return whole.hexdigest()


def version(package: str) -> str:
    """The version of a package; empty where it is not installed."""
    try:
        return importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return ""


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
