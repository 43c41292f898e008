"""Counts as they may leave the practice: hidden under 11, else rounded to 5."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards.formats import whole

SMALLEST = 11
STEP = 5
FEWEST_OPEN = 6


@dataclass(frozen=True)
class ReleasedCount:
    """A count rounded to 5, or None where it is hidden. A hidden count does not say whether it is small."""

    value: int | None

    def __post_init__(self) -> None:
        if self.value is not None and (self.value < SMALLEST - 1 or self.value % STEP):
            raise ValueError("a released count is hidden, or at least 10 and a multiple of 5")

    def __str__(self) -> str:
        return "hidden" if self.value is None else whole(self.value)


def release_count(n: int) -> ReleasedCount:
    """Hide a count under 11, round another to the nearest 5."""
    return ReleasedCount(STEP * ((n + STEP // 2) // STEP) if n >= SMALLEST else None)


def protect(counts: Sequence[int], *, left_out: bool = False) -> list[ReleasedCount]:
    """Release the counts of one table whose total is known elsewhere.

    Where exactly one count is hidden and no row was left out, the total less the others would come close to it, so the
    smallest of the others is hidden too. A table of one row is its own total.
    """
    released = [release_count(n) for n in counts]
    hidden = [i for i, c in enumerate(released) if c.value is None]
    alone = (len(hidden) == 1 and not left_out) or (not hidden and left_out)
    if alone and len(counts) > 1:
        others = [i for i in range(len(counts)) if i not in hidden]
        released[min(others, key=lambda i: counts[i])] = ReleasedCount(None)
    return released


def still_open(total: ReleasedCount, parts: Sequence[ReleasedCount]) -> bool:
    """True unless the total less the known parts would pin down the one hidden part.

    Each rounded count stands for five; the hidden one, under 11, must be left at least six of its eleven values.
    """
    known = [p.value for p in parts if p.value is not None]
    if total.value is None or len(known) != len(parts) - 1:
        return True
    slack = (STEP // 2) * (len(known) + 1)
    rest = total.value - sum(known)
    return min(rest + slack, SMALLEST - 1) - max(rest - slack, 0) + 1 >= FEWEST_OPEN
