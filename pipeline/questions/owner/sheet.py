"""The owner's sheet, put together: one `Owner` from the linked tables and what was found of them."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import polars as pl

from pipeline.practice.outcomes import outcome
from pipeline.questions.analysis import Analysis
from pipeline.questions.owner.filters import filters_of
from pipeline.questions.owner.over_time import (
    EARLY_YEARS,
    LATE_YEARS,
    among,
    cohort_change,
    early_rows,
    period_change,
    stretch,
)
from pipeline.questions.owner.published import beside_published
from pipeline.questions.owner.teeth import begun_in
from pipeline.questions.owner.to_do import Waiting, cases_behind, recent_by_chance, signal_cases, to_do
from pipeline.questions.owner.trust import trust_of
from pipeline.results import RateRow, RateTable
from pipeline.results.monitoring import Benchmark, Monitoring
from pipeline.results.owner import BesidePublished, EarlySigns, Owner, SheetLine, SignalCases, Stretch

SHORTER = (3.0, 1.0)  # years at which a rate is told where too few are followed to the horizon


def owner_of(
    teeth: Mapping[str, pl.DataFrame],
    watched: Mapping[str, pl.DataFrame],
    *,
    rates: Sequence[RateTable],
    monitoring: Sequence[Monitoring],
    benchmarks: Sequence[Benchmark],
    waiting: Waiting,
    cutoff: dt.date | None,
    read: int,
    set_aside: int,
    asked: Analysis,
    fewest: int,
) -> Owner:
    """All but what changed since the last run, which is no matter of these records alone.

    `teeth` as `teeth_of` makes them; `watched` are the teeth of the running charts, by outcome; `read` and `set_aside`
    count rows of the ledger; of fewer than `fewest` teeth the filters tell nothing. Empty without a day in the data.
    """
    if cutoff is None:
        return Owner()
    overall = {t.outcome: t.rows[0] for t in rates if t.by == "overall" and t.rows}
    with_rate = {name: frame for name, frame in teeth.items() if name in overall}
    on = {name: frame.with_columns(exit_days="followed_on_days") for name, frame in with_rate.items()}
    years = (asked.horizon_years, *(y for y in SHORTER if y < asked.horizon_years))
    over_time = among(
        [period_change(frame, cutoff=cutoff, years=years, asked=asked) for frame in on.values()],
        confidence=asked.confidence,
    )
    soon = among(
        [cohort_change(f, cutoff=cutoff, years=y, asked=asked) for f in on.values() for y in EARLY_YEARS],
        confidence=asked.confidence,
    )
    lines, early = [], []
    for place, (name, frame) in enumerate(with_rate.items()):
        rate = _rate(frame, overall[name], cutoff, asked)
        ledger: dict[str, Any] = {"cutoff": cutoff, "read": read, "set_aside": set_aside, "asked": asked}
        found = beside_published(benchmarks, outcome=outcome(name), asked=asked)
        beside = tuple(p if p.years == rate.years else _trusted(p, frame, rate, ledger) for p in found)
        lines.append(
            SheetLine(
                name, rate, over_time[place], beside,
                trust_of(frame, rate, **ledger),
            )
        )  # fmt: skip
        late = tuple(soon[len(EARLY_YEARS) * place : len(EARLY_YEARS) * (place + 1)])
        of_late = late[0].late
        assert of_late is not None
        cohort = begun_in(frame, *(dt.date.fromisoformat(day) for day in (of_late.first_day, of_late.last_day)))
        early.append(
            EarlySigns(
                name, EARLY_YEARS, early_rows(on[name], cutoff=cutoff, asked=asked), late,
                trust_of(cohort, of_late, **ledger),
            )
        )  # fmt: skip
    signals = signal_cases(monitoring, cutoff=cutoff)
    charts = [chart for m in monitoring for chart in m.running]
    return Owner(
        lines=tuple(lines),
        early=tuple(early),
        signals=signals,
        to_do=to_do(waiting, signals, behind=_behind(watched, signals)),
        filters=filters_of(with_rate, cutoff=cutoff, asked=asked, fewest=fewest) if with_rate else None,
        late_years=LATE_YEARS,
        charts=len(charts),
        recent_by_chance=recent_by_chance(charts),
    )


def _trusted(found: BesidePublished, teeth: pl.DataFrame, rate: Stretch, ledger: Mapping[str, Any]) -> BesidePublished:
    """With the trust in our figure at the published one's years."""
    ours = replace(rate, years=found.years, survival=found.ours, ci_low=found.ours_low, ci_high=found.ours_high)
    return replace(found, trust=trust_of(teeth, ours, **ledger))


def _behind(watched: Mapping[str, pl.DataFrame], signals: Sequence[SignalCases]) -> int:
    """Failures behind any recent signal, each counted once."""
    found = [cases_behind(watched[s.outcome], s).select("id") for s in signals if s.recent]
    return pl.concat(found).n_unique() if found else 0


def _rate(teeth: pl.DataFrame, row: RateRow, cutoff: dt.date, asked: Analysis) -> Stretch:
    """The rate of all teeth as the table of rates has it; at fewer years where too few are followed so long."""
    first = teeth["start"].min()
    assert isinstance(first, dt.date)
    if row.survival is None:
        whole = teeth.with_columns(entry_days=pl.lit(0, pl.Int64))
        shorter = (stretch(whole, first, cutoff, y, asked) for y in SHORTER if y < asked.horizon_years)
        if (found := next((s for s in shorter if s.survival is not None), None)) is not None:
            return found
    return Stretch(
        first.isoformat(), cutoff.isoformat(), row.teeth, row.patients, row.failures, row.years, row.followed,
        row.survival, row.ci_low, row.ci_high,
    )  # fmt: skip
