"""Clinicians and months against what is expected, on invented teeth whose truth is known."""

from __future__ import annotations

import datetime as dt
import itertools

import numpy as np
import polars as pl
import pytest

from pipeline.questions import monitoring
from pipeline.questions.monitoring import watch

CUTOFF = dt.date(2024, 12, 31)


def invented(seed: int = 1, *, bad: float = 1.0, teeth: int = 2400, rate: float = 0.03) -> pl.DataFrame:
    """Teeth of six clinicians; molars fail three times as fast and fall mostly to F; `bad` multiplies F's hazard."""
    draw = np.random.default_rng(seed)
    who = draw.choice(list("ABCDEF"), teeth)
    molar = draw.random(teeth) < np.where(who == "F", 0.9, 0.3)
    start = [dt.date(2010, 1, 1) + dt.timedelta(days=int(d)) for d in draw.integers(0, 5000, teeth)]
    fails = draw.exponential(365.25 / (rate * np.where(molar, 3, 1) * np.where(who == "F", bad, 1))).astype(int)
    left = np.array([(CUTOFF - s).days for s in start])
    return pl.DataFrame(
        {
            "id": [f"t{i:05d}" for i in range(teeth)],
            "patient_id": [f"p{i // 2}" for i in range(teeth)],
            "provider_id": who,
            "tooth_group": np.where(molar, "molar", "anterior"),
            "start": start,
            "exit_days": np.minimum(fails, left),
            "event": fails <= left,
        }
    )


def test_harder_teeth_are_not_held_against_a_clinician() -> None:
    (found,) = watch(invented(), outcome="crown_survival", cutoff=CUTOFF)
    assert found.funnel is not None
    last = found.funnel.rows[-1]
    assert last.name == "F"
    mean = found.failures / found.teeth
    assert last.observed > 1.35 * mean * last.teeth  # by hand, F looks bad
    assert last.ratio == pytest.approx(1.0, abs=0.2)
    assert last.standing == "within"
    assert found.adjusted_for == ("tooth group",)


def test_twice_the_failures_are_seen() -> None:
    (found,) = watch(invented(bad=2.5), outcome="crown_survival", cutoff=CUTOFF)
    assert found.funnel is not None
    assert found.funnel.rows[-1].standing == "more_99_8"


def test_expected_failures_add_up_over_clinicians_and_over_months() -> None:
    (found,) = watch(invented(), outcome="crown_survival", cutoff=CUTOFF)
    assert found.funnel is not None
    assert sum(r.expected for r in found.funnel.rows) == pytest.approx(found.failures)
    whole = found.running[0]
    assert whole.name == "all"
    assert sum(m.observed for m in whole.months) == found.failures
    assert whole.months[-1].gap == pytest.approx(0.0, abs=1e-6)
    for row in found.funnel.rows:
        mine = next(r for r in found.running if r.name == row.name)
        assert sum(m.observed for m in mine.months) == row.observed
        assert mine.months[-1].gap == pytest.approx(row.expected - row.observed)


def test_a_month_is_the_sum_of_its_days() -> None:
    rows = invented(teeth=60, rate=0.2).sort("id")
    watched = monitoring._fit(rows)
    firsts = [dt.date(2015, m, 1) for m in range(1, 8)]
    observed, expected = monitoring.by_month(watched, np.ones(60, dtype=bool), firsts)
    for place, (first, after) in enumerate(itertools.pairwise(firsts)):
        seen, due = 0, 0.0
        for (start, last, event), score in zip(
            rows.select("start", "exit_days", "event").iter_rows(), watched.score, strict=True
        ):
            for step in range((after - first).days):
                age = (first + dt.timedelta(days=step) - start).days
                if 0 <= age <= last:
                    due += score * float(watched.hazard.until(age) - watched.hazard.until(age - 1))
                    seen += event and age == last
        assert observed[place] == seen
        assert expected[place] == pytest.approx(due)


def test_the_order_of_the_rows_changes_nothing() -> None:
    rows = invented().filter(pl.col("provider_id").is_in(["A", "F"]))
    assert watch(rows, outcome="x", cutoff=CUTOFF) == watch(
        rows.sample(fraction=1, shuffle=True, seed=5), outcome="x", cutoff=CUTOFF
    )


def test_clinicians_stand_by_name_and_small_ones_are_not_judged() -> None:
    rows = invented().with_columns(
        provider_id=pl.when(pl.col("id") < "t00040").then(pl.lit("Aa")).otherwise("provider_id")
    )
    (found,) = watch(rows, outcome="x", cutoff=CUTOFF)
    assert found.funnel is not None
    assert [r.name for r in found.funnel.rows] == ["A", "Aa", "B", "C", "D", "E", "F"]
    small = found.funnel.rows[1]
    assert (small.standing == "too_few") == (small.expected < found.funnel.min_expected)
    tiny = rows.with_columns(provider_id=pl.when(pl.col("id") < "t00012").then(pl.lit("Aa")).otherwise("provider_id"))
    (found,) = watch(
        tiny.filter((pl.col("provider_id") != "Aa") | (pl.col("id") < "t00012")), outcome="x", cutoff=CUTOFF
    )
    assert found.funnel is not None
    assert found.funnel.rows[1].standing == "too_few"
    assert found.funnel.rows[1].notice_95 is None
    assert found.funnel.judged == 6
    assert "Aa" not in [r.name for r in found.running]


def test_with_few_failures_nothing_is_expected_of_anyone() -> None:
    (found,) = watch(invented(teeth=60, rate=0.01), outcome="x", cutoff=CUTOFF)
    assert found.failures < found.min_failures
    assert found.funnel is None
    assert found.running == ()
    assert watch(invented().clear(), outcome="x", cutoff=CUTOFF) == ()


def test_a_doubling_from_one_day_on_is_signalled_after_it() -> None:
    # Of the teeth still followed, one in twelve more is made to fail in 2022 and 2023.
    rows = invented(rate=0.02).with_columns(number=pl.int_range(pl.len()))
    day = pl.lit(dt.date(2022, 1, 1)) + pl.duration(days=(pl.col("number") * 7) % 700)
    hit = (pl.col("number") % 12 == 0) & (pl.col("start") < day) & ~pl.col("event")
    rows = rows.with_columns(
        exit_days=pl.when(hit).then((day - pl.col("start")).dt.total_days()).otherwise("exit_days"),
        event=pl.col("event") | hit,
    )
    (found,) = watch(rows, outcome="x", cutoff=CUTOFF)
    signals = [m.month for m in found.running[0].months if m.signal]
    assert signals
    assert all("2022-01" <= month <= "2024-06" for month in signals)


def test_standings_are_the_exact_tails() -> None:
    # Of 10 expected: 17 or more has a chance of 2.7 %, 18 or more 1.4 %; 21 or more 0.16 %, 22 or more 0.07 %.
    assert [standing(n, 10.0, 1.0) for n in (17, 18, 21, 22)] == ["within", "more_95", "more_95", "more_99_8"]
    # 4 or fewer 2.9 %, 3 or fewer 1.0 %; 1 or fewer 0.05 %.
    assert [standing(n, 10.0, 1.0) for n in (4, 3, 1)] == ["within", "fewer_95", "fewer_99_8"]


def test_patients_may_be_numbers() -> None:
    rows = invented(teeth=400)
    numbers = rows.with_columns(pl.col("patient_id").rank("dense").cast(pl.UInt32))
    assert watch(rows, outcome="x", cutoff=CUTOFF) == watch(numbers, outcome="x", cutoff=CUTOFF)
