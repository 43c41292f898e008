"""Change one small thing at a time in the modules that make the figures, and see whether the tests notice."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tests.mutants.make import SEED, draw

if TYPE_CHECKING:
    from tests.mutants.make import Key, Mutant, Source
    from tests.mutants.run import Outcome, Target

ROOT = Path(__file__).parents[2]
FIGURES = ("linking", "comparison", "verdict", "passed")  # groups that the figures of the main comparison pass
DRAWN = 30  # of each module, unless asked for fewer or more
# One order of sets, and no threads that a fork would lose.
STEADY = {
    "EVERY_CASE": "1",
    "PYTHONHASHSEED": "0",
    "OPENBLAS_NUM_THREADS": "1",
    "POLARS_MAX_THREADS": "1",
    "OMP_NUM_THREADS": "1",
}


def main() -> int:
    """Run the modules asked for (words of a file's name or a group; none: every module) and keep their scores."""
    options = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    options.add_argument("modules", nargs="*", metavar="MODULE", help="crowns, make, or a group: linking, verdict")
    options.add_argument("--jobs", type=int, default=1, help="processes at a time (default %(default)s)")
    options.add_argument("--drawn", type=int, default=DRAWN, metavar="N", help="mutants of each (default %(default)s)")
    options.add_argument("--wider", action="store_true", help="of the kinds of `wider.py`; no score is kept")
    options.add_argument("--seed", type=int, default=SEED, help="another draw than the kept one; no score is kept")
    options.add_argument("--kept", type=Path, metavar="FILE", help="with --all: what stands there is not tried again")
    options.add_argument(
        "--passed", type=int, metavar="N", help="N that are fresh, of lines that the main figures pass"
    )
    options.add_argument("--list", action="store_true", help="show the mutants and run nothing")
    which = options.add_mutually_exclusive_group()
    which.add_argument("--all", action="store_true", help="every mutant, not only those drawn; no score is kept")
    which.add_argument("--line", type=int, action="append", help="every mutant of this line; no score is kept")
    which.add_argument("--survivors", action="store_true", help="of those drawn, only the ones that lived last time")
    which.add_argument(
        "--fresh", type=int, metavar="N", help="the next N after those drawn, which no test was made for"
    )
    asked = options.parse_args()

    from tests.mutants.run import BaselineError, preload
    from tests.mutants.scores import equivalents, keep, lived, scored, stale
    from tests.mutants.targets import PASSED, TARGETS
    from tests.mutants.wider import wider_kinds

    words = asked.modules
    named = [t for word in words for t in (*TARGETS, *PASSED) if word == t.group or t.file.endswith(f"/{word}.py")]
    figures = [t for t in (*TARGETS, *PASSED) if t.group in FIGURES]
    chosen = list(dict.fromkeys(named if words else figures if asked.passed else TARGETS))
    if not chosen:
        options.error("no such module or group; see tests/mutants/targets.py")
    if not asked.list:
        preload()
    known, poor = equivalents(), False
    if asked.passed:
        return _of_passed(chosen, known, asked)
    for target in chosen:
        source = target.source(ROOT, wider_kinds if asked.wider else None)
        of_file = [key for key in known if key.file == target.file]
        if gone := stale(of_file, [m for k in (None, wider_kinds) for m in target.source(ROOT, k).mutants]):
            print(f"{target.file}: {len(gone)} equivalent mutants are no longer in the source, first: {gone[0]}")
            return 1
        every = asked.all or bool(asked.line)
        drawn = _drawn(source, None if every else asked.drawn, asked.line, fresh=asked.fresh or 0, seed=asked.seed)
        possible = [one for one in drawn if one.key not in known]
        tried = [one for one in possible if not asked.survivors or one.key in lived()]
        if asked.list:
            for one in tried:
                print(f"{target.file}:{one.number}  {one.key.kind}  |  {one.key.line}")
            continue
        try:
            found = _tried(target, source, tried, jobs=asked.jobs, kept=asked.kept if asked.all else None)
        except BaselineError as error:
            print(error)
            return 1
        lives = [one.mutant for one in found if not one.killed]
        score = scored(target, source, drawn=len(drawn), possible=len(possible), lived=len(lives))
        print(f"{target.file}: {score.killed} of {len(possible)} killed, {score.percent:.0f} %")
        for one in lives:
            print(f"  lives: line {one.number} in {one.key.function}: {one.key.kind}\n         {one.key.line}")
        sys.stdout.flush()
        if target in TARGETS and not (every or asked.fresh or asked.wider or asked.seed != SEED):
            keep([score], [one.key for one in lives])
        poor |= score.percent < 90
    return int(poor)


def _of_passed(targets: Sequence[Target], known: Mapping[Key, str], asked: argparse.Namespace) -> int:
    """Try fresh ones over all that a figure passes; a module whose tests fail without a mutant ends it."""
    from tests.mutants.fresh import draw_fresh, told
    from tests.mutants.passed import trace_apart

    drawn = draw_fresh(targets, trace_apart(), known, root=ROOT, number=asked.passed, seed=asked.seed)
    lives, tried = [], 0
    for target, source, mutants in drawn:
        for one in mutants if asked.list else ():
            print(f"{target.file}:{one.number}  {one.key.kind}  |  {one.key.line}")
        if not asked.list:
            lives += [o.mutant for o in _tried(target, source, mutants, jobs=asked.jobs) if not o.killed]
            tried += len(mutants)
    for one in lives:
        print(f"lives: {one.key.file}:{one.number} in {one.key.function}: {one.key.kind}\n         {one.key.line}")
    print(told(tried - len(lives), tried))
    return 0


def _drawn(source: Source, number: int | None, lines: list[int] | None, *, fresh: int, seed: int) -> list[Mutant]:
    drawn = draw(source.mutants, number if number is None else number + fresh, seed)
    if fresh:
        looked_at = draw(source.mutants, number, seed)
        return [one for one in drawn if one not in looked_at]
    return [one for one in drawn if not lines or one.number in lines]


def _tried(
    target: Target, source: Source, tried: Sequence[Mutant], *, jobs: int, kept: Path | None = None
) -> list[Outcome]:
    """What became of each, in the order of the text; each is told as it ends, and added to `kept`."""
    from tests.mutants.run import Outcome, outcomes
    from tests.mutants.scores import add_outcome, outcomes_in

    before, started = outcomes_in(kept) if kept else {}, time.monotonic()
    found = [Outcome(one, by != "", by) for one in tried if (by := before.get(one.key)) is not None]
    for one in outcomes(target, source, [one for one in tried if one.key not in before], root=ROOT, jobs=jobs):
        found.append(one)
        if kept:
            add_outcome(kept, one.mutant.key, one.by)
        told = f"killed by {one.by}" if one.killed else "LIVES"
        where = f"{target.file}:{one.mutant.number} in {one.mutant.key.function}"
        print(
            f"{time.monotonic() - started:5.0f} s  {where}: {one.mutant.key.kind}: {told}", file=sys.stderr, flush=True
        )
    return sorted(found, key=lambda one: one.mutant.number)


if __name__ == "__main__":
    if any(os.environ.get(name) != value for name, value in STEADY.items()):
        os.execve(sys.executable, [sys.executable, "-m", "tests.mutants", *sys.argv[1:]], os.environ | STEADY)
    sys.exit(main())
