"""What takes long to make and does not change: made by the first worker of a run that needs it, read by the others."""

from __future__ import annotations

import fcntl
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest

Made = TypeVar("Made")


def made_once(tmp_path_factory: pytest.TempPathFactory, name: str, make: Callable[[], Made]) -> Made:
    """What `make` gives, made once in a run of tests whatever the number of its workers.

    `name` must tell it apart from all else that is made so. Only for what may be pickled; what it names of the file
    system must stay there until the run ends.
    """
    shared = tmp_path_factory.getbasetemp()
    if shared.name.startswith("popen-"):  # a worker has a folder of its own in that of the run
        shared = shared.parent
    return made_once_in(shared, name, make)


def made_once_in(folder: Path, name: str, make: Callable[[], Made]) -> Made:
    """As `made_once`, kept in a folder that all workers know: for what belongs to something made once itself."""
    kept = folder / f"{name}.pickle"
    with (folder / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not kept.exists():
            kept.write_bytes(pickle.dumps(make()))
        found: Made = pickle.loads(kept.read_bytes())
    return found
