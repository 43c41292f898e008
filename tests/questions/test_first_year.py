"""Failures within a year, by quarter."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from pipeline.questions.first_year import first_year, is_complete, longest_run


def cohort(*teeth: tuple[str, int, bool]) -> pl.DataFrame:
    """Teeth as (start, days followed, failed), each of its own patient."""
    return pl.DataFrame(
        {
            "start": [dt.date.fromisoformat(start) for start, _, _ in teeth],
            "exit_days": [days for _, days, _ in teeth],
            "event": [failed for _, _, failed in teeth],
            "patient_id": [f"p{i}" for i in range(len(teeth))],
        }
    )


def test_a_quarter_is_complete_when_its_last_day_has_had_a_year() -> None:
    quarter = 4 * 2023 + 1  # April to June 2023
    assert not is_complete(quarter, dt.date(2024, 6, 28))
    assert is_complete(quarter, dt.date(2024, 6, 29))  # 365 days after 30 June 2023, across a leap day


def test_shares_count_a_year_and_mark_what_is_not_over() -> None:
    rows = cohort(
        ("2022-01-10", 900, False), ("2022-02-10", 100, True), ("2022-03-30", 366, True), ("2022-03-31", 365, True),
        ("2022-11-01", 700, False),
        ("2024-02-01", 30, True), ("2024-02-02", 300, False),
    )  # fmt: skip
    found = first_year(rows, cutoff=dt.date(2024, 12, 31))
    assert found is not None
    by = {r.quarter: r for r in found.rows}
    assert list(by)[:4] == ["2022 Q1", "2022 Q2", "2022 Q3", "2022 Q4"]
    # Two of four fail within 365 days; the failure on day 366 is none of the first year.
    assert (by["2022 Q1"].teeth, by["2022 Q1"].failures) == (4, 2)
    assert by["2022 Q1"].share == pytest.approx(0.5)
    assert by["2022 Q4"].share == 0
    assert (by["2022 Q2"].teeth, by["2022 Q2"].share) == (0, None)
    late = by["2024 Q1"]
    assert (late.complete, late.share, late.failures, late.limit_high) == (False, None, 1, None)
    # The overall share leaves the incomplete quarter out: 2 of 5.
    assert found.overall == pytest.approx(2 / 5)
    assert sum(r.expected for r in found.rows if r.complete) == pytest.approx(2)


def test_a_tooth_lost_from_sight_counts_for_as_long_as_it_was_seen() -> None:
    rows = cohort(("2022-01-01", 50, False), ("2022-01-01", 100, True), ("2022-01-01", 500, False))
    found = first_year(rows, cutoff=dt.date(2024, 1, 1))
    assert found is not None
    assert found.rows[0].share == pytest.approx(1 / 2)


def test_a_quarter_of_many_failures_is_outside_and_small_ones_tell_no_runs() -> None:
    good = [(f"20{y}-{m:02d}-05", 800, False) for y in range(10, 22) for m in (1, 4, 7, 10) for _ in range(20)]
    bad = [("2020-05-06", 30, True)] * 9
    found = first_year(cohort(*good, *bad), cutoff=dt.date(2024, 12, 31))
    assert found is not None
    assert [r.quarter for r in found.rows if r.outside] == ["2020 Q2"]
    assert not found.runs_told


def test_runs_are_counted_over_complete_quarters_on_one_side() -> None:
    # Shares by quarter: 1 of 2, 0, 0, 0, then 1 of 2; overall 2 of 10.
    starts = ("2020-01-05", "2020-04-05", "2020-07-05", "2020-10-05", "2021-01-05")
    rows = cohort(
        *((s, 10 if i in (0, 4) and k else 900, i in (0, 4) and k == 1) for i, s in enumerate(starts) for k in (0, 1))
    )
    found = first_year(rows, cutoff=dt.date(2024, 1, 1))
    assert found is not None
    assert found.overall is not None
    assert found.longest_run == 3
    assert longest_run(found.rows[:2], found.overall) == 1


def test_nothing_is_said_before_the_first_quarter_is_over() -> None:
    assert first_year(cohort(("2024-06-01", 40, True)), cutoff=dt.date(2024, 12, 31)) is None
