"""Practices in which nothing changes, whose patients come now and then: the end of the records makes no signal."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from pipeline.questions import monitoring
from pipeline.questions.leaving import followed_on

FIRST, CUTOFF = dt.date(2008, 1, 1), dt.date(2024, 12, 31)
DAYS = (CUTOFF - FIRST).days
FALSE_ALARM_YEARS = 20.0
# Days between visits, and how many patients come so: by our own choice.
RHYTHMS = {"half-yearly": {183: 1.0}, "yearly": {365: 1.0}, "mixed": {120: 0.2, 183: 0.4, 365: 0.3, 600: 0.1}}


def unchanged(seed: int, rhythm: dict[int, float], *, teeth: int = 1500) -> pl.DataFrame:
    """One tooth a patient: 3 of 100 fail a year throughout, 6 of 100 patients leave; a failure is itself a visit."""
    draw = np.random.default_rng(seed)
    start = draw.integers(0, DAYS - 30, teeth)
    every = draw.choice(list(rhythm), teeth, p=list(rhythm.values()))
    until = np.minimum(start + draw.exponential(365.25 / 0.06, teeth), DAYS)
    fails = start + 1 + draw.exponential(365.25 / 0.03, teeth).astype(np.int64)
    gaps = draw.gamma(11, 1 / 11, (teeth, 2 * DAYS // min(rhythm))) * every[:, None]
    visits = start[:, None] + np.concatenate([np.zeros((teeth, 1)), np.cumsum(gaps, axis=1)], axis=1)
    seen = np.where(visits <= until[:, None], visits, -1).max(axis=1).astype(np.int64)
    failed = fails <= until
    last = np.where(failed, fails, seen)
    epoch = (FIRST - dt.date(1970, 1, 1)).days
    return pl.DataFrame(
        {
            "id": np.arange(teeth),
            "patient_id": np.arange(teeth),
            "start": pl.Series(start + epoch).cast(pl.Int32).cast(pl.Date),
            "exit_date": pl.Series(last + epoch).cast(pl.Int32).cast(pl.Date),
            "exit_reason": np.where(failed, "failed", "last_contact"),
            "exit_days": last - start,
            "event": failed,
        }
    )


def last_year(rows: pl.DataFrame, seed: int) -> tuple[int, float]:
    """Signals in the last twelve months of the records, and failures over those expected in the last six."""
    found = monitoring._year_by_year(monitoring._fit(rows), CUTOFF)
    assert found is not None
    chart = monitoring._chart("all", found, 1.0, FALSE_ALARM_YEARS, seed)
    half = chart.months[-6:]
    return sum(m.signal for m in chart.months[-12:]), sum(m.observed for m in half) / sum(m.expected for m in half)


@pytest.mark.parametrize("rhythm", RHYTHMS)
@pytest.mark.parametrize("runs", [10, pytest.param(200, marks=pytest.mark.thorough)])
def test_the_end_of_the_records_brings_no_more_false_signals_than_stated(runs: int, rhythm: str) -> None:
    found = [last_year(followed_on(unchanged(s, RHYTHMS[rhythm]), cutoff=CUTOFF), s) for s in range(runs)]
    stated = runs / FALSE_ALARM_YEARS
    assert sum(signals for signals, _ in found) <= stated + 3 * np.sqrt(stated)
    # Those who left lately count too long, so that slightly fewer fail than expected: never many more.
    assert 0.75 < np.mean([ratio for _, ratio in found]) < 1.1


def test_up_to_the_last_visit_alone_the_end_would_signal() -> None:
    found = [last_year(unchanged(s, RHYTHMS["half-yearly"]), s) for s in range(10)]
    assert sum(signals for signals, _ in found) > 10 / FALSE_ALARM_YEARS + 3 * np.sqrt(10 / FALSE_ALARM_YEARS)
    assert np.mean([ratio for _, ratio in found]) > 1.5


@pytest.mark.parametrize(
    ("last", "reason", "event", "days"),
    [
        ("2024-07-04", "last_contact", False, 1000 + 180),
        ("2023-07-02", "last_contact", False, 1000 + 548),  # seen 548 days before the end: not known to have left
        ("2023-07-01", "last_contact", False, 1000),  # left
        ("2024-07-04", "failed", True, 1000),
        ("2024-07-04", "death", False, 1000),
        ("2024-12-31", "cutoff", False, 1000),
    ],
)
def test_who_is_not_known_to_have_left_is_followed_to_the_cutoff(
    last: str, reason: str, event: bool, days: int
) -> None:
    rows = pl.DataFrame(
        {"exit_date": [dt.date.fromisoformat(last)], "exit_reason": [reason], "event": [event], "exit_days": [1000]}
    )
    assert followed_on(rows, cutoff=CUTOFF)["exit_days"].to_list() == [days]
