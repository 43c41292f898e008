"""How many openings a ledger may not hold, and how an answer would move with them."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Spread:
    """Median and limits over draws."""

    median: float
    low: float
    high: float


@dataclass(frozen=True)
class Moved:
    """One figure of an answer, as counted and with what may be unseen.

    `name` is `per_100` (difference in failures), `hazard_ratio` or `need_per_100` (share that came to need a root
    canal). `systematic` holds the doubt about what is unseen alone, `corrected` chance as well. `other_sign` is the
    share of draws, chance included, on the other side of no difference than the figure as counted; None of a share.
    """

    name: str
    counted: float
    counted_low: float
    counted_high: float
    systematic: Spread
    corrected: Spread
    other_sign: float | None


@dataclass(frozen=True)
class Assumption:
    """One thing that was assumed, the values it was drawn from, and why those."""

    name: str
    value: str
    reason: str


@dataclass(frozen=True)
class Unseen:
    """What may be unseen of one question, named by the `id` of its comparison or trial.

    Counts are of crowns: openings seen (`seen_elsewhere` of them by others), root canals before the seat seen,
    `undated` root canals of others, and `hinted` crowns that count as vital. The spreads are of further ones, None
    where nothing tells or nothing is assumed. `impossible` of `draws` contradicted the ledger and were discarded.
    """

    id: str
    setting: str
    seen: int
    seen_elsewhere: int
    seen_before_seat: int
    undated: int
    hinted: int
    openings: Spread | None
    before_seat: Spread | None
    failures: Spread | None
    moved: tuple[Moved, ...]
    draws: int
    impossible: int
    assumptions: tuple[Assumption, ...]
    sentences: tuple[str, ...]


def need_with_unseen(found: Sequence[Unseen], id: str) -> Spread | None:
    """How many of 100 came to need a root canal with what may be unseen, and chance; None where that was not asked."""
    return next((m.corrected for u in found if u.id == id for m in u.moved if m.name == "need_per_100"), None)
