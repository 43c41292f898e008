"""What lies behind a signal of the running charts, and what follows from the data to do next, in a stated order.

First what may concern patients now: failures behind a recent signal, then reviews that are due. Then what may change
these figures, the largest number first: teeth to ask about, rows to mend, codes without a meaning.
"""

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.results import UnknownCode
from pipeline.results.monitoring import Monitoring, Running
from pipeline.results.owner import RECENT_MONTHS, SignalCases, ToDo


def signal_cases(found: Sequence[Monitoring], *, cutoff: dt.date | None) -> tuple[SignalCases, ...]:
    """Every signal, the latest first, then by outcome and name; never by who has more."""
    if cutoff is None:
        return ()
    made = [s for m in found for chart in m.running for s in _of_chart(m.outcome, chart, cutoff)]
    return tuple(sorted(made, key=lambda s: (-_number(s.month), s.outcome, s.who != "all", s.who)))


def _of_chart(outcome: str, chart: Running, cutoff: dt.date) -> list[SignalCases]:
    """A signal's failures are those since the watch last stood at 0, or since the signal before it."""
    out, begin = [], 0
    for place, month in enumerate(chart.months):
        if month.signal:
            run = chart.months[begin : place + 1]
            age = 12 * cutoff.year + cutoff.month - 1 - _number(month.month)
            out.append(
                SignalCases(
                    outcome, chart.name, run[0].month, month.month, sum(m.observed for m in run),
                    sum(m.expected for m in run), chart.ratio, chart.false_alarm_years, age < RECENT_MONTHS,
                )
            )  # fmt: skip
        if month.signal or month.cusum == 0:
            begin = place + 1
    return out


def recent_by_chance(charts: Sequence[Running]) -> float:
    """The share of practices where nothing changes that have a recent signal on any of these charts all the same.

    Each chart signals falsely once in its `false_alarm_years`, at times that hang on nothing, nor on other charts.
    """
    expected = sum(min(len(c.months), RECENT_MONTHS) / (12 * c.false_alarm_years) for c in charts)
    return -math.expm1(-expected)


def cases_behind(watched: pl.DataFrame, signal: SignalCases) -> pl.DataFrame:
    """The teeth that failed in the months of a signal, first failure first: rows of `watched` with `failed_on`.

    `watched` as `crowns_to_watch` and `root_canals_to_watch` make them.
    """
    failed = pl.col("start") + pl.duration(days=pl.col("exit_days"))
    month = failed.dt.strftime("%Y-%m")
    rows = watched.filter("event", month.is_between(pl.lit(signal.since), pl.lit(signal.month)))
    if signal.who != "all":
        rows = rows.filter(pl.col("provider_id") == signal.who)
    return rows.with_columns(failed_on=failed).sort("failed_on", "id")


def _number(month: str) -> int:
    return 12 * int(month[:4]) + int(month[5:7]) - 1


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
