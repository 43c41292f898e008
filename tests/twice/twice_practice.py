"""One simulated practice, run whole, its stored tables written out, and R's figures of the same tables.

`python tests/twice/twice_practice.py` writes what R says today into `frozen.json`: for a change that is meant to move
figures, once it is known why each of them moves.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import subprocess
import sys
import tempfile
import unittest.mock
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.practice.settings import Settings
from pipeline.practice.tables import CROWNS, ENDO_COURSES, ENDO_DETAILS, PATIENTS, TOOTH_FOLLOWUP
from pipeline.reading.config import load_settings
from pipeline.results import Results, to_plain
from pipeline.stages import run
from pipeline.storing.store import open_store
from synthetic_data.generate import simulate
from tests.recounts import without_recounts

# With this seed the main comparison, the decision and the crown after a root canal all find a difference, so that each
# sentence with a number of its own is spoken.
CROWNS_MADE, SEED = 3000, 3
R_FILES = Path(__file__).parent / "r"
FROZEN = Path(__file__).parent / "frozen.json"
STORED = (CROWNS, ENDO_COURSES, ENDO_DETAILS, PATIENTS, TOOTH_FOLLOWUP)


def run_practice(folder: Path) -> tuple[Settings, Results]:
    """Simulate, ingest, link and compare.

    What the figures in question do not hang on is left out: other ways to count, monitoring, unseen openings. Every
    ratio is taken as steady, no claim is held against the same patients, and the decision stands alone and not among
    all looks: R here has the model with one ratio. That with phases is the same model on rows that are cut and on a few
    that are put in; `tests/stats/test_against_r_phases.py` has R work out its difference, error and limits.
    """
    settings = load_settings(simulate(folder, crowns=CROWNS_MADE, seed=SEED))
    with (
        without_recounts(),
        unittest.mock.patch("pipeline.stages.compare.watch", return_value=()),
        unittest.mock.patch("pipeline.stages.compare._unseen", return_value=()),
        unittest.mock.patch("pipeline.questions.steady_ratio.CHANGES_BELOW", 0.0),
        unittest.mock.patch("pipeline.questions.steady_ratio.STEADY_FROM", 0.0),
        unittest.mock.patch("pipeline.questions.steady_ratio.changing_model", return_value=None),
        unittest.mock.patch("pipeline.stages.compare.verdict_in_family", side_effect=lambda verdict, *_: verdict),
        unittest.mock.patch("pipeline.questions.crown_longevity.compare_within_patients", return_value=None),
    ):
        results = run.everything(settings, today=dt.date(2025, 6, 30), say=lambda _: None)
    return settings, results


def as_read(results: Results) -> dict[str, Any]:
    """What a machine reads of them: JSON's own types."""
    found: dict[str, Any] = json.loads(json.dumps(to_plain(results)))
    return found


def write_tables(settings: Settings, results: Results, folder: Path) -> None:
    """The stored tables as CSV, and the settings of the comparison as JSON."""
    with open_store(settings.practice.database, read_only=True, must_exist=True) as store:
        for table in STORED:
            frame = store.read(table)
            frame.with_columns(pl.col(pl.Float64).round(9)).write_csv(folder / f"{table.name}.csv")
    told = {
        **results.analysis,
        "data_cutoff": results.data_cutoff,
        "lab_days": results.rules["lab_days"],
    }
    (folder / "settings.json").write_text(json.dumps(told))


def run_r(folder: Path) -> str:
    """What `main.R` makes of the tables in a folder, as JSON."""
    subprocess.run(
        ["Rscript", "--vanilla", "main.R", str(folder.resolve()), str(folder.resolve() / "answer.json")],
        cwd=R_FILES,
        env={**os.environ, "R_ENABLE_JIT": "0"},  # compiling takes longer than it saves
        check=True,
        capture_output=True,
        text=True,
    )
    return (folder / "answer.json").read_text(encoding="utf-8")


def freeze() -> None:
    """Write `frozen.json`, one line a question."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        settings, results = run_practice(folder / "practice")
        write_tables(settings, results, folder)
        answer = json.loads(run_r(folder))
    lines = ",\n".join(f"{json.dumps(key)}: {json.dumps(value)}" for key, value in answer.items())
    FROZEN.write_text(f"{{\n{lines}\n}}\n")


if __name__ == "__main__":
    sys.exit(freeze())
