"""Counts as they may leave the practice: hidden under 11, else rounded to 5."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards.formats import whole
from pipeline.disclosure import SMALLEST, STEP, is_rounded, protected, rounded_count

FEWEST_OPEN = 6


@dataclass(frozen=True)
class ReleasedCount:
    """A count rounded to 5, or None where it is hidden. A hidden count does not say whether it is small."""

    value: int | None

    def __post_init__(self) -> None:
        if not is_rounded(self.value):
            raise ValueError("a released count is hidden, or at least 10 and a multiple of 5")

    def __str__(self) -> str:
        return "hidden" if self.value is None else whole(self.value)


def release_count(n: int) -> ReleasedCount:
    """Hide a count under 11, round another to the nearest 5."""
    return ReleasedCount(rounded_count(n))


def protect(counts: Sequence[int], *, left_out: bool = False) -> list[ReleasedCount]:
    """Release the counts of one table whose total is known elsewhere, as `disclosure.protected` does."""
    return [ReleasedCount(n) for n in protected(counts, left_out=left_out)]


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
