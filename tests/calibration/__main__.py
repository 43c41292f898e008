"""`python -m tests.calibration`: run the full calibration and renew the shipped table.

With `--held` the table stays: a small run of fresh practices is held against it, and a figure further off than chance
allows ends with status 1.
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import sys
import time
from pathlib import Path

from pipeline.questions.calibration import calibration_rows
from tests.calibration.held import breaches, looks, report
from tests.calibration.run_calibration import Plan, calibrate, write_table
from tests.calibration.simulate_settings import BY_NAME, SETTINGS

# The sizes of the small run: a small practice and a large one.
HELD_SIZES = (500, 4000)
TABLE = Path(__file__).parents[2] / "pipeline" / "data" / "calibration.csv"


def main() -> None:
    """Read the options, run, write the table and print its path."""
    options = argparse.ArgumentParser(prog="python -m tests.calibration", description=__doc__)
    options.add_argument(
        "--practices", type=int, default=Plan.practices, help="a setting and size (default %(default)s)"
    )
    options.add_argument(
        "--sizes",
        type=lambda text: tuple(int(part) for part in text.split(",")),
        help="crowns a practice, comma between sizes (default: those of the table, or two of them with --held)",
    )
    options.add_argument(
        "--settings",
        type=lambda text: tuple(BY_NAME[name] for name in text.split(",")),
        default=SETTINGS,
        help=f"comma between settings (default all: {', '.join(BY_NAME)}); needs --out or --held",
    )
    options.add_argument("--seed", type=int, default=Plan.seed, help="default %(default)s")
    options.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes (default %(default)s)")
    options.add_argument("--out", type=Path, default=TABLE, help="the table to write (default: the shipped one)")
    options.add_argument("--held", action="store_true", help="hold a small run against the shipped table instead")
    asked = options.parse_args()
    if asked.settings != SETTINGS and asked.out == TABLE and not asked.held:
        options.error("The shipped table has every setting: name another with --out.")
    started = time.monotonic()

    def say(line: str) -> None:
        print(f"{time.monotonic() - started:5.0f} s  {line}", file=sys.stderr, flush=True)

    today = dt.datetime.now(tz=dt.UTC).date()
    if asked.held:
        shipped = calibration_rows()
        sizes = asked.sizes or HELD_SIZES
        plan = Plan(practices=asked.practices, sizes=sizes, large_practices=0, seed=shipped[0].seed + 1)
        found = looks(calibrate(asked.settings, plan, workers=asked.workers, date=today, say=say), shipped)
        report(found, print)
        if beyond := breaches(found):
            report(beyond, lambda line: print("NOT AS SHIPPED", line, file=sys.stderr))
            raise SystemExit(1)
        print(f"{len(found)} figures, {asked.practices} practices of a size: as {TABLE.name} says, within their errors")
        return
    plan = Plan(practices=asked.practices, sizes=asked.sizes or Plan.sizes, seed=asked.seed)
    write_table(calibrate(asked.settings, plan, workers=asked.workers, date=today, say=say), asked.out)
    print(asked.out)


if __name__ == "__main__":
    main()
