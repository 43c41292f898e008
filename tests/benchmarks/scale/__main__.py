"""`python -m tests.benchmarks.scale`: measure every stage and the rivals, renew results.csv, cost.svg and README.md."""

from __future__ import annotations

import argparse
import datetime as dt
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.scale import machine, ours
from tests.benchmarks.scale.measuring import BOUNDS, our_rows, rival_rows
from tests.benchmarks.scale.practices import ROOT, practice
from tests.benchmarks.scale.rivals import RIVALS
from tests.benchmarks.scale.tables import Row, read_rows, replaced, without, write_rows

HERE = Path(__file__).parent


def main() -> None:
    """Read the options, measure size by size, and write the table after each measurement."""
    options = argparse.ArgumentParser(prog="python -m tests.benchmarks.scale", description=__doc__)
    options.add_argument("--rows", type=float, nargs="*", default=[0.03, 0.1, 0.3, 1, 10], help="million ledger rows")
    options.add_argument("--with-100", action="store_true", help="100 million rows as well")
    options.add_argument("--ours", action=argparse.BooleanOptionalAction, default=True, help="measure our stages")
    options.add_argument("--rivals", action=argparse.BooleanOptionalAction, default=True, help="measure the rivals")
    options.add_argument("--only", nargs="*", default=[], metavar="WORD", help="only rivals with this in their name")
    kept = Path(tempfile.gettempdir()) / "toothyears-scale"
    options.add_argument("--work", type=Path, default=kept, help="where practices are kept (default %(default)s)")
    options.add_argument("--limit", type=float, default=3600, help="seconds that one command may take")
    options.add_argument("--results", type=Path, default=HERE, help="where the table, the plot and the README go")
    asked = options.parse_args()
    started = time.monotonic()
    work = asked.work.resolve()
    work.mkdir(parents=True, exist_ok=True)
    asked.results.mkdir(parents=True, exist_ok=True)
    table = asked.results / "results.csv"

    def keep(rows: list[Row]) -> None:
        write_rows(table, replaced(read_rows(table), rows))
        for row in rows:
            wall = "" if row.wall_s is None else f"{row.wall_s:9.2f} s"
            print(
                f"{time.monotonic() - started:6.0f} s  {row.rows:>11,} rows  {row.who}: {row.stage}{wall}  {row.note}",
                file=sys.stderr,
                flush=True,
            )

    limits = {"limit_s": asked.limit, "limit_mb": 0.85 * machine.memory_mb()}
    today = dt.datetime.now(tz=dt.UTC).date().isoformat()
    for millions in [*asked.rows, *([100.0] if asked.with_100 else [])]:
        folder, size = practice(work, millions)
        blank = Row(date=today, machine=machine.describe(), versions="", rows=size, who="", stage="")
        if asked.ours:
            for who in (ours.WHO, BOUNDS):
                write_rows(table, without(read_rows(table), who, size))
            for rows in our_rows(folder, blank, **limits):
                keep(rows)
        if asked.rivals:
            known = ours.figures(folder)
            chosen = [r for r in RIVALS if not asked.only or any(word in r.who for word in asked.only)]
            for rival in chosen:
                write_rows(table, without(read_rows(table), rival.who, size))
                keep(rival_rows(rival, folder, blank, known, **limits))
    # Drawing takes memory that no process measured above should have on its account.
    subprocess.run([sys.executable, "-m", "tests.benchmarks.scale.readme", str(asked.results)], cwd=ROOT, check=True)
    print(asked.results / "README.md")


if __name__ == "__main__":
    main()
