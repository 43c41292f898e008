"""What follows from the data to do next, in a stated order; nothing where there is nothing to do.

First what may concern patients now: failures behind a recent signal, then reviews that are due. Then what may change
these figures, the largest number first: teeth to ask about, rows to mend, codes without a meaning.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.results import UnknownCode
from pipeline.results.owner import SignalCases, ToDo


@dataclass(frozen=True)
class Waiting:
    """What waits to be done.

    `reviews` that are due (see `due_reviews`; None where no day tells), of `courses`; `hints` of work elsewhere; `mend`
    rows set aside that nobody has mended or settled, of `read`; codes without a meaning.
    """

    reviews: pl.DataFrame | None
    hints: pl.DataFrame
    mend: int
    read: int
    unknown_codes: Sequence[UnknownCode]
    courses: int


def to_do(waiting: Waiting, signals: Sequence[SignalCases], *, behind: int) -> tuple[ToDo, ...]:
    """What to do, in the order of this module's first lines; `behind` counts the failures of recent signals."""
    recent = [s for s in signals if s.recent]
    due = waiting.reviews
    first = (
        ToDo("signals", behind, len(recent)),
        ToDo("reviews", 0, 0)
        if due is None
        else ToDo("reviews", due.height, waiting.courses, int(due["not_seen_for_long"].sum())),
    )
    teeth = waiting.hints.select("patient_id", "tooth_fdi").n_unique() if waiting.hints.height else 0
    # Codes that no row of a tooth has are fees and the like: a meaning would change nothing.
    named = [c for c in waiting.unknown_codes if c.teeth]
    rest = (
        ToDo("ask", teeth, teeth),
        ToDo("mend", waiting.mend, waiting.read),
        ToDo("codes", sum(c.rows for c in named), len(named)),
    )
    return tuple(t for t in (*first, *sorted(rest, key=lambda t: -t.count)) if t.count)
