"""Change one small thing at a time in the modules that make the figures, and see whether the tests notice."""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
# One order of sets, and no threads that a fork would lose.
STEADY = {"PYTHONHASHSEED": "0", "OPENBLAS_NUM_THREADS": "1", "POLARS_MAX_THREADS": "1", "OMP_NUM_THREADS": "1"}


def main() -> int:
    """Run the modules asked for (words of a file's name or a group; none: every module) and keep their scores."""
    options = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    options.add_argument("modules", nargs="*", metavar="MODULE", help="crowns, pool/make, or a group: linking, verdict")
    options.add_argument("--all", action="store_true", help="every mutant, not only those drawn; no score is kept")
    options.add_argument("--drawn", type=int, default=30, help="mutants a module (default %(default)s)")
    options.add_argument("--jobs", type=int, default=1, help="processes at a time (default %(default)s)")
    options.add_argument("--line", type=int, action="append", help="only mutants of this line; no score is kept")
    options.add_argument("--list", action="store_true", help="show the mutants and run nothing")
    asked = options.parse_args()

    from tests.mutants.make import draw
    from tests.mutants.run import BaselineError, outcomes, preload
    from tests.mutants.scores import equivalents, keep, scored, stale
    from tests.mutants.targets import TARGETS

    words = asked.modules
    chosen = [t for t in TARGETS if not words or any(w == t.group or t.file.endswith(f"/{w}.py") for w in words)]
    if not chosen:
        options.error("no such module or group; see tests/mutants/targets.py")
    if not asked.list:
        preload()
    known, poor, started = equivalents(), False, time.monotonic()
    for target in chosen:
        source = target.source(ROOT)
        if gone := stale([key for key in known if key.file == target.file], source.mutants):
            print(f"{target.file}: {len(gone)} equivalent mutants are no longer in the source, first: {gone[0]}")
            return 1
        drawn = draw(source.mutants, None if asked.all or asked.line else asked.drawn)
        if asked.line:
            drawn = [one for one in drawn if one.number in asked.line]
        tried = [one for one in drawn if one.key not in known]
        if asked.list:
            for one in tried:
                print(f"{target.file}:{one.number}  {one.key.kind}  |  {one.key.line}")
            continue
        found = []
        try:
            for one in outcomes(target, source, tried, root=ROOT, jobs=asked.jobs):
                found.append(one)
                told = f"killed by {one.by}" if one.killed else "LIVES"
                where = f"{target.file}:{one.mutant.number} in {one.mutant.key.function}"
                print(
                    f"{time.monotonic() - started:5.0f} s  {where}: {one.mutant.key.kind}: {told}",
                    file=sys.stderr,
                    flush=True,
                )
        except BaselineError as error:
            print(error)
            return 1
        found.sort(key=lambda one: one.mutant.number)
        score = scored(target, found, mutants=len(source.mutants), drawn=len(drawn))
        lives = [one.mutant for one in found if not one.killed]
        print(f"{target.file}: {score.killed} of {len(found)} killed, {score.percent:.0f} %")
        for one in lives:
            print(f"  lives: line {one.number} in {one.key.function}: {one.key.kind}\n         {one.key.line}")
        sys.stdout.flush()
        if not (asked.all or asked.line) and asked.drawn == 30:
            keep([score], [one.key for one in lives])
        poor |= score.percent < 90
    return int(poor)


if __name__ == "__main__":
    if any(os.environ.get(name) != value for name, value in STEADY.items()):
        os.execve(sys.executable, [sys.executable, "-m", "tests.mutants", *sys.argv[1:]], os.environ | STEADY)
    sys.exit(main())
