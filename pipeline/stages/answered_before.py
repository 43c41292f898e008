"""Whether a stage has done the very work before, of the very rows, by the very program: then what it stored stands.

What a stage stores is a pure function of what the stages before it stored, the settings and the program. The store
knows whether a stage before has run since (`Store.is_done`); the rest is known by a digest, kept under the stage's
name. Where it differs for no reason the work is done once more, with the same figures.
"""

import hashlib
import importlib.metadata
import os
import platform
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path

import pipeline

# The names under which the store keeps the results, and the digest of what was linked, of what they answer, of what was
# drawn.
RESULTS, LINKED, ANSWERED, DRAWN = "results", "linked", "answered", "drawn"
_ROOT = Path(pipeline.__file__).resolve().parents[1]


def digest_of(*asked: object, packages: Iterable[str], program: Iterable[str] = ("pipeline",)) -> str:
    """A digest of what is asked, by how it is written, of the program's folders and of the packages it counts with.

    What is asked are texts, numbers, days, paths, and tuples, lists, dictionaries and dataclasses of these.
    """
    told = [platform.python_version(), *((name, _version(name)) for name in packages)]
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


def _version(package: str) -> str:
    try:
        return importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return ""
