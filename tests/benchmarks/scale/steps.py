"""What bounds a run: one run of a practice in one process, as `toothyears run` goes, each step with what it did.

Each step tells seconds by the clock, of processors in this process and in those beside it, as a line of JSON; and how
much there was to do: modules loaded, files read, models fitted, pages drawn.

`python -m tests.benchmarks.scale.steps PRACTICE.toml --out FOLDER`
"""

from __future__ import annotations

import argparse
import datetime as dt
import importlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pipeline.machine.query_thread import on_query_thread

LIBRARIES = ("click", "numpy", "polars", "duckdb", "pyarrow", "scipy.optimize", "scipy.interpolate", "jinja2", "pptx")
# What the process beside loads before it does anything, as `stages.cli` prepares it.
LOADED_BESIDE = "pipeline.questions.choices, pipeline.stats.second_opinion, lifelines"
START, OURS, BESIDE, READ, LINK, ANSWER, DRAW, ALL = (
    "libraries loaded",
    "our modules loaded",
    "loaded beside",
    "ingest",
    "link",
    "compare",
    "dashboards",
    "all of it",
)
STEPS = (START, OURS, BESIDE, READ, LINK, ANSWER, DRAW, ALL)


def main() -> None:
    """Run the practice, and tell the steps."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("toml", type=Path)
    options.add_argument("--out", type=Path, required=True)
    asked = options.parse_args()
    did: dict[str, str] = {}
    with _step(BESIDE, did):
        subprocess.run([sys.executable, "-c", f"import {LOADED_BESIDE}"], check=True)
        did[BESIDE] = "to count in other ways, and lifelines"
    begun = sum(os.times()[:4])
    with _step(ALL, did):
        _steps(asked.toml, asked.out, did)
        used = sum(os.times()[:4]) - begun
        did[ALL] = f"{used / 2:.1f} s by the clock at least, were all of it shared evenly between two processors"


def _steps(toml: Path, out: Path, did: dict[str, str]) -> None:
    with _step(START, did):
        for name in LIBRARIES:
            importlib.import_module(name)
        did[START] = f"{len(sys.modules):,} modules"
    before = len(sys.modules)
    with _step(OURS, did):
        for name in ("pipeline.stages.run", "pipeline.stages.cli", "dashboards.write"):
            importlib.import_module(name)
        did[OURS] = f"{len(sys.modules) - before:,} modules"
    import polars as pl

    from pipeline.machine.beside import Beside
    from pipeline.reading.config import load_settings, matching_files
    from pipeline.stages import cli, run
    from pipeline.stats import cox_kernel

    settings, today = load_settings(toml), dt.datetime.now(tz=dt.UTC).date()
    fits = _counted(cox_kernel, "build_risk_sets")
    queries = _counted(pl.LazyFrame, "_collect_eager")

    def quiet(_: str) -> None:
        """Say nothing."""

    with _step(READ, did):
        on_query_thread(lambda: run.ingest_stage(settings, today=today, say=quiet))
        files = sum(len(matching_files(settings, name)) for name in settings.tables)
        did[READ] = f"{files} files, {queries[0]:,} queries of Polars"
    with _step(LINK, did):
        on_query_thread(lambda: run.link_stage(settings, say=quiet))
        did[LINK] = "in one part"
    before = queries[0]
    with _step(ANSWER, did):
        with Beside(say=quiet) as beside:
            results = on_query_thread(lambda: run.compare_stage(settings, say=quiet, today=today, beside=beside))
        did[ANSWER] = f"{fits[0]:,} Cox models, {queries[0] - before:,} queries of Polars in this process"
    with _step(DRAW, did):
        cli._pages(settings, results, out, say=quiet, lists=False)
        drawn = [path.stat().st_size for path in out.iterdir()]
        did[DRAW] = f"{len(drawn)} files of {sum(drawn) / 1e6:.1f} MB"


@contextmanager
def _step(name: str, did: dict[str, str]) -> Iterator[None]:
    wall, used = time.perf_counter(), os.times()
    yield
    now = os.times()
    step = {
        "step": name,
        "wall_s": time.perf_counter() - wall,
        "cpu_s": now.user + now.system - used.user - used.system,
        "beside_s": now.children_user + now.children_system - used.children_user - used.children_system,
        "did": did[name],
    }
    print(json.dumps(step), flush=True)


def _counted(owner: Any, name: str) -> list[int]:
    """Count the calls of a function from now on: the number so far, in a list of one."""
    real: Callable[..., Any] = getattr(owner, name)
    calls = [0]

    def counting(*args: Any, **kwargs: Any) -> Any:
        calls[0] += 1
        return real(*args, **kwargs)

    setattr(owner, name, counting)
    return calls


if __name__ == "__main__":
    main()
