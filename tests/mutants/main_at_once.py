"""The main comparison of the practice that R computed too, as `tests/twice` holds it, of tables that are linked once.

What does not hang on the comparison is done by `prepare`, before the forks: the practice is made, read and linked.
Without it the tests prepare themselves.
"""

from __future__ import annotations

import atexit
import datetime as dt
import json
import os
import pickle
import shutil
import sys
import tempfile
import unittest.mock
from contextlib import ExitStack, suppress
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
sys.path.append(str(ROOT / "tests" / "twice"))
_KEPT_IN = "MAIN_AT_ONCE"
MAIN = "crown_longevity_by_endo_timing"
# As in `twice_practice.run_practice`: R here has the model with one ratio.
STEADY = {
    "pipeline.questions.steady_ratio.CHANGES_BELOW": 0.0,
    "pipeline.questions.steady_ratio.STEADY_FROM": 0.0,
    "pipeline.questions.steady_ratio.changing_model": lambda *_, **__: None,
    "pipeline.questions.crown_longevity.compare_within_patients": lambda *_, **__: None,
}


@cache
def _folder() -> Path:
    if _KEPT_IN in os.environ:  # made before the fork, by this module under another name
        return Path(os.environ[_KEPT_IN])
    folder, owner = Path(tempfile.mkdtemp(prefix="main-")), os.getpid()
    atexit.register(lambda: os.getpid() == owner and shutil.rmtree(folder, ignore_errors=True))
    return folder


def prepare() -> None:
    """Link the practice, in a process of its own: what it imports and the threads it starts stay there."""
    folder = _folder()
    os.environ[_KEPT_IN] = str(folder)
    if (folder / "linked.pickle").exists():
        return
    pid = os.fork()
    if pid == 0:
        status = 1
        try:
            _link(folder)
            status = 0
        finally:
            os._exit(status)
    if os.waitpid(pid, 0)[1]:
        raise RuntimeError("the practice could not be made")


def _link(folder: Path) -> None:
    import twice_practice

    from pipeline.stages import run
    from synthetic_data.generate import simulate

    settings = twice_practice.load_settings(
        simulate(folder / "practice", crowns=twice_practice.CROWNS_MADE, seed=twice_practice.SEED)
    )
    asked: dict[str, Any] = {}

    def keep(stored: object, analysis: object, **_: object) -> None:
        asked.update(stored=stored, analysis=analysis)
        raise _KeptError

    with unittest.mock.patch("pipeline.stages.run.compare", keep), suppress(_KeptError):
        run.everything(settings, today=dt.date(2025, 6, 30), say=lambda _: None)
    stored = asked["stored"]
    kept = (stored.crowns, stored.inputs["patients"], asked["analysis"], stored.cutoff)
    (folder / "linked.pickle").write_bytes(pickle.dumps(kept))


class _KeptError(Exception):
    """Ends a run once its tables are linked."""


@pytest.fixture(scope="module")
def compared() -> Any:
    """The main comparison as the program makes it, every ratio taken as steady."""
    prepare()
    crowns, patients, analysis, cutoff = pickle.loads((_folder() / "linked.pickle").read_bytes())
    from pipeline.questions.crown_longevity import compare_since_seat
    from pipeline.questions.crown_rows import crown_rows, state_spells
    from pipeline.questions.robustness import robustness_of

    with ExitStack() as stack:
        for name, value in STEADY.items():
            stack.enter_context(unittest.mock.patch(name, value))
        found = compare_since_seat(crowns, patients, analysis)
    spells = state_spells(crown_rows(crowns, patients))
    return replace(found, robustness=robustness_of(found, spells, analysis, cutoff=cutoff))


def test_every_figure_is_that_of_r(compared: Any) -> None:
    from twice_compare import comparison, gaps

    from pipeline.results import to_plain

    plain = json.loads(json.dumps(to_plain(compared)))
    theirs = json.loads((ROOT / "tests" / "twice" / "frozen.json").read_text(encoding="utf-8"))[MAIN]
    assert gaps(comparison(plain), theirs) == []
