"""The rivals: plain scripts for the same question, each a process of its own on the same CSV files.

Each tells its steps as lines of JSON, so that one that is stopped has still told what it had done by then.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.benchmarks.scale.machine import r_versions, versions
from tests.benchmarks.scale.measure import Measured, measure
from tests.benchmarks.scale.practices import ROOT

PANDAS = "pandas and lifelines"
PANDAS_PATIENT = "pandas and lifelines, errors by patient"
SQL, R, FLOOR = "DuckDB SQL, linking only", "R: data.table and survival", "floor: DuckDB reads the ledger"
READ_AND_LINK = ("read", "link")
HERE = Path(__file__).parent


@dataclass(frozen=True)
class Rival:
    """One rival: its name, its command for a practice's folder and a scratch folder, and versions (None: absent)."""

    who: str
    command: Callable[[Path, Path], list[str]]
    versions: Callable[[], str | None]


def _python(script: str, *more: str, scratch: bool = False) -> Callable[[Path, Path], list[str]]:
    def command(folder: Path, work: Path) -> list[str]:
        words = [sys.executable, str(HERE / script), str(folder), *more]
        return [*words, "--scratch", str(work)] if scratch else words

    return command


RIVALS = (
    Rival(FLOOR, _python("floor.py", scratch=True), lambda: versions("duckdb")),
    Rival(SQL, _python("plain_sql.py", scratch=True), lambda: versions("duckdb")),
    Rival(
        R,
        lambda folder, _: ["Rscript", str(HERE / "plain_r.R"), str(folder)],
        lambda: r_versions("data.table", "survival"),
    ),
    Rival(PANDAS, _python("plain_pandas.py"), lambda: versions("pandas", "lifelines")),
    Rival(
        PANDAS_PATIENT,
        _python("plain_pandas.py", "--errors", "patient"),
        lambda: versions("pandas", "lifelines"),
    ),
)


def run_rival(rival: Rival, folder: Path, *, limit_s: float, limit_mb: float) -> Measured:
    """Run a rival on a practice; it is stopped at the limits."""
    work = folder.parent
    log = work / f"{folder.name}-{rival.who.replace(' ', '_').replace(',', '').replace(':', '')}.log"
    return measure(rival.command(folder, work), cwd=ROOT, log=log, limit_s=limit_s, limit_mb=limit_mb)


def steps_told(output: str) -> list[dict[str, Any]]:
    """The steps that a rival told, in order; a line that was cut off is left out."""
    steps = []
    for line in output.splitlines():
        try:
            steps.append(json.loads(line))
        except json.JSONDecodeError:
            continue
    return steps


def figures_told(steps: list[dict[str, Any]]) -> dict[str, Any]:
    """All that was found, from all steps together."""
    found: dict[str, Any] = {}
    for step in steps:
        found |= {name: value for name, value in step.items() if name not in ("step", "wall_s", "cpu_s", "rows")}
    return found
