"""`python -m tests.calibration`: run the full calibration and renew the shipped table."""

from __future__ import annotations

import argparse
import datetime as dt
import os
import sys
import time
from pathlib import Path

from tests.calibration.run_calibration import Plan, calibrate, write_table
from tests.calibration.simulate_settings import SETTINGS

TABLE = Path(__file__).parents[2] / "pipeline" / "data" / "calibration.csv"


def main() -> None:
    """Read the options, run, write the table and print its path."""
    options = argparse.ArgumentParser(prog="python -m tests.calibration", description=__doc__)
    options.add_argument("--practices", type=int, default=Plan.practices, help="a setting (default %(default)s)")
    options.add_argument("--crowns", type=int, default=Plan.crowns, help="a practice (default %(default)s)")
    options.add_argument("--seed", type=int, default=Plan.seed, help="default %(default)s")
    options.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes (default %(default)s)")
    options.add_argument("--out", type=Path, default=TABLE, help="the table to write (default: the shipped one)")
    asked = options.parse_args()
    plan = Plan(practices=asked.practices, crowns=asked.crowns, seed=asked.seed)
    started = time.monotonic()

    def say(line: str) -> None:
        print(f"{time.monotonic() - started:5.0f} s  {line}", file=sys.stderr, flush=True)

    today = dt.datetime.now(tz=dt.UTC).date()
    write_table(calibrate(SETTINGS, plan, workers=asked.workers, date=today, say=say), asked.out)
    print(asked.out)


if __name__ == "__main__":
    main()
