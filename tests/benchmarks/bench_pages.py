"""Times every page and the slides of a practice of 10,000 crowns: `python tests/benchmarks/bench_pages.py` (2 minutes).

Ingest, link and compare run first and are not counted; with PRACTICE.toml, results that are stored are taken instead.
Prints the time of each output and of all of them; the bar is 10 seconds on 2 cores.

November 2026, 2 cores: 12,074 crowns, 4.8 s (4.5 s the second time), all of it on one core.
"""

import datetime as dt
import sys
import tempfile
import time
from pathlib import Path

from dashboards.write import write_all
from pipeline.reading.config import load_settings
from pipeline.results import Results
from pipeline.stages import run
from synthetic_data.generate import simulate

CROWNS = 10_000


def results(arguments: list[str], folder: Path) -> Results:
    if arguments:
        return run.stored_results(load_settings(Path(arguments[0])))
    toml = simulate(folder / "practice", crowns=CROWNS, seed=1)
    return run.everything(load_settings(toml), today=dt.date(2025, 6, 30), say=lambda _: None)


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        found = results(sys.argv[1:], Path(scratch))
        print(f"{found.counts.crowns:,} crowns")
        for turn in ("first", "second"):
            start, cpu = time.perf_counter(), time.process_time()
            write_all(found, Path(scratch) / turn)
            print(f"{turn}: {time.perf_counter() - start:.1f} s, {time.process_time() - cpu:.1f} s of one core")
        for file in sorted((Path(scratch) / "first").iterdir()):
            print(f"{file.stat().st_size / 1000:>8,.0f} kB  {file.name}")


if __name__ == "__main__":
    main()
