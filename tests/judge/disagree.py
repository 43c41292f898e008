"""Where the plain linker and the pipeline's differ on many hostile ledgers at once.

By hand: `python -m tests.judge.disagree [seed] [ledgers]` counts the fields that differ and shows the smallest ledgers.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, replace
from functools import cache
from itertools import product
from random import Random

from tests.judge.hostile_ledgers import (
    COURSE_FIELDS,
    CROWN_FIELDS,
    TEETH,
    Case,
    as_compared,
    by_the_pipeline,
    draw_case,
    plainly,
)

# So many are drawn where all must agree but those whose records contradict themselves: a tooth treated after a death or
# an extraction, and then seen in its place; a root canal and its repeat on one day that is a year. No rule says who is
# right there.
DRAWN = 2000
CONTRADICTORY = (172, 1498, 1837, 1913)


@dataclass(frozen=True)
class Difference:
    """One tooth of one ledger on which the two linkers differ."""

    case: Case
    tooth: int
    table: str
    fields: tuple[str, ...]  # those that differ; `rows` where the number of rows does
    plain: list[tuple[object, ...]]
    pipeline: list[tuple[object, ...]]


@cache
def drawn(number: int, start: int = 0) -> list[Case]:
    """So many hostile ledgers, the same for the same `start`, of four practices.

    One in four is of a practice that posts crowns at preparation, one in three of one that keeps no fees.
    """
    found = [draw_case(Random(start * 100_000 + n).choice) for n in range(number)]
    return [replace(c, posted_at_prep=n % 4 == 3, fees_kept=n % 3 != 2) for n, c in enumerate(found)]


def differences(ledgers: list[Case]) -> list[Difference]:
    """Every tooth on which the linkers differ, the ledgers with the fewest rows first."""
    found = []
    for at_prep, fees_kept in product((False, True), repeat=2):
        practice = [c for c in ledgers if (c.posted_at_prep, c.fees_kept) == (at_prep, fees_kept)]
        if not practice:
            continue
        for case, (crowns, courses) in zip(practice, by_the_pipeline(practice), strict=True):
            for tooth in TEETH:
                plain = plainly(case, tooth)
                for table, ours, theirs, fields in (
                    ("crowns", plain.crowns, crowns, CROWN_FIELDS),
                    ("endo_courses", plain.courses, courses, COURSE_FIELDS),
                ):
                    one = as_compared(ours, fields)
                    other = as_compared([r for r in theirs if r["tooth_fdi"] == tooth], fields)
                    if one != other:
                        found.append(Difference(case, tooth, table, _which(one, other, fields), one, other))
    return sorted(found, key=lambda d: len(d.case.rows))


def _which(one: list[tuple[object, ...]], other: list[tuple[object, ...]], fields: tuple[str, ...]) -> tuple[str, ...]:
    if len(one) != len(other):
        return ("rows",)
    pairs = [pair for rows in zip(one, other, strict=True) for pair in zip(fields, *rows, strict=True)]
    return tuple(sorted({name for name, a, b in pairs if a != b}))


def shown(found: list[Difference], most: int) -> str:
    """The smallest of them, with their rows."""
    parts = []
    for d in found[:most]:
        parts.append(f"{d.table} of tooth {d.tooth} differ in {', '.join(d.fields)}\n{d.case}")
        parts.append(f"plain:    {[list(map(str, r)) for r in d.plain]}")
        parts.append(f"pipeline: {[list(map(str, r)) for r in d.pipeline]}\n")
    return "\n".join(parts)


def main() -> None:
    """Count and show."""
    start, number = (int(word) for word in (*sys.argv[1:3], *("0", "400")[len(sys.argv[1:3]) :]))
    found = differences(drawn(number, start))
    print(shown(found, 5))
    for table in ("crowns", "endo_courses"):
        counts = Counter(name for d in found if d.table == table for name in d.fields)
        print(table, dict(counts.most_common()))


if __name__ == "__main__":
    main()
