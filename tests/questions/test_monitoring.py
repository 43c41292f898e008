"""Clinicians and months against what is expected, on invented teeth whose truth is known."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.questions import monitoring
from pipeline.questions.clinicians import beside_colleagues, see
from pipeline.questions.monitoring import watch
from pipeline.results.monitoring import Funnel, Monitoring
from pipeline.stats.cusum import cusum
from pipeline.stats.expected import breslow_hazard

CUTOFF = dt.date(2024, 12, 31)


def invented(seed: int = 1, *, bad: float = 1.0, teeth: int = 1200, rate: float = 0.03) -> pl.DataFrame:
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


@pytest.fixture(scope="module")
def alike() -> Monitoring:
    return watch(invented(), outcome="crown_survival", cutoff=CUTOFF)[0]


@pytest.fixture(scope="module")
def one_bad() -> Monitoring:
    return watch(invented(bad=2.5), outcome="crown_survival", cutoff=CUTOFF)[0]


def beside(rows: pl.DataFrame) -> Funnel:
    seen = see(rows.sort("id"), tuple(c for c in monitoring.ADJUST if c.name in rows.columns))
    assert seen is not None
    return beside_colleagues(seen, not_recorded=0, seed=4)[0]


def test_harder_teeth_are_not_held_against_a_clinician(alike: Monitoring) -> None:
    assert alike.funnel is not None
    last = alike.funnel.rows[-1]
    assert last.name == "F"
    mean = alike.failures / alike.teeth
    assert last.observed > 1.35 * mean * last.teeth  # by hand, F looks bad
    assert last.ratio == pytest.approx(1.0, abs=0.25)
    assert last.standing == "within"
    assert last.colleagues == 5
    assert alike.adjusted_for == ("tooth group",)


def test_twice_the_failures_are_seen(one_bad: Monitoring) -> None:
    assert one_bad.funnel is not None
    assert [r.standing for r in one_bad.funnel.rows] == [*["within"] * 5, "more_99_8"]


def test_what_is_expected_of_a_clinician_adds_up_over_the_months(one_bad: Monitoring) -> None:
    assert one_bad.funnel is not None
    assert [r.name for r in one_bad.running] == ["all", *"ABCDEF"]
    for row in one_bad.funnel.rows:
        mine = next(r for r in one_bad.running if r.name == row.name)
        assert sum(m.observed for m in mine.months) == row.observed
        assert mine.months[-1].gap == pytest.approx(row.expected - row.observed)


def test_each_year_is_expected_from_the_years_before_it_alone() -> None:
    # What happens from 2022 on changes nothing that was expected up to the end of 2022: 2023 is the first to know.
    rows = invented(rate=0.02, teeth=900).drop("tooth_group")
    later = (pl.col("start") + pl.duration(days=pl.col("exit_days"))) >= dt.date(2022, 1, 1)
    found = [
        monitoring._year_by_year(monitoring._fit(r), CUTOFF)
        for r in (rows, rows.with_columns(event=pl.col("event") & ~later))
    ]
    first, second = found
    assert first is not None
    assert second is not None
    for month, one, other in zip(first.firsts[:-1], first.expected, second.expected, strict=True):
        assert (one == other) == (month < dt.date(2023, 1, 1))
    assert first.rests_on.failures == second.rests_on.failures >= monitoring.MIN_FAILURES


def test_a_month_is_the_sum_of_its_days() -> None:
    rows = invented(teeth=60, rate=0.2).sort("id")
    watched = monitoring._fit(rows)
    firsts = [dt.date(2015, m, 1) for m in range(1, 8)]
    days, event = rows["exit_days"].to_numpy(), rows["event"].to_numpy()
    hazard = breslow_hazard(days, event, watched.score)
    observed, expected = monitoring.by_month(
        rows["start"].cast(pl.Int32).to_numpy().astype(np.int64),
        days,
        event,
        watched.score,
        hazard=hazard,
        firsts=firsts,
    )
    for place, (first, after) in enumerate(itertools.pairwise(firsts)):
        seen, due = 0, 0.0
        for (start, last, event), score in zip(
            rows.select("start", "exit_days", "event").iter_rows(), watched.score, strict=True
        ):
            for step in range((after - first).days):
                age = (first + dt.timedelta(days=step) - start).days
                if 0 <= age <= last:
                    due += score * float(hazard.until(age) - hazard.until(age - 1))
                    seen += event and age == last
        assert observed[place] == seen
        assert expected[place] == pytest.approx(due)


def test_of_no_tooth_nothing_is_seen_or_expected() -> None:
    none = np.zeros(0, dtype=np.int64)
    hazard = breslow_hazard(np.array([10, 20]), np.array([True, False]), np.ones(2))
    firsts = [dt.date(2015, m, 1) for m in (1, 2, 3)]
    seen, due = monitoring.by_month(none, none, none.astype(bool), none.astype(float), hazard=hazard, firsts=firsts)
    assert seen.tolist() == due.tolist() == [0.0, 0.0]


def test_the_order_of_the_rows_changes_nothing() -> None:
    rows = invented(teeth=450).filter(pl.col("provider_id").is_in(["A", "F"]))
    assert watch(rows, outcome="x", cutoff=CUTOFF) == watch(
        rows.sample(fraction=1, shuffle=True, seed=5), outcome="x", cutoff=CUTOFF
    )


def test_clinicians_stand_by_name_and_small_ones_are_not_judged() -> None:
    rows = invented().with_columns(
        provider_id=pl.when(pl.col("id") < "t00040").then(pl.lit("Aa")).otherwise("provider_id")
    )
    found = beside(rows)
    assert [r.name for r in found.rows] == ["A", "Aa", "B", "C", "D", "E", "F"]
    small = found.rows[1]
    assert (small.standing == "too_few") == (small.expected < found.min_expected)
    tiny = rows.with_columns(provider_id=pl.when(pl.col("id") < "t00012").then(pl.lit("Aa")).otherwise("provider_id"))
    (told,) = watch(
        tiny.filter((pl.col("provider_id") != "Aa") | (pl.col("id") < "t00012")), outcome="x", cutoff=CUTOFF
    )
    assert told.funnel is not None
    assert told.funnel.rows[1].standing == "too_few"
    assert told.funnel.rows[1].notice_95 is None
    assert told.funnel.rows[1].low_95 is None
    assert told.funnel.judged == 6
    assert "Aa" not in [r.name for r in told.running]


def test_with_few_failures_nothing_is_expected_of_anyone() -> None:
    (found,) = watch(invented(teeth=60, rate=0.01), outcome="x", cutoff=CUTOFF)
    assert found.failures < found.min_failures
    assert found.funnel is None
    assert found.running == ()
    assert watch(invented().clear(), outcome="x", cutoff=CUTOFF) == ()


def test_a_doubling_from_one_day_on_is_signalled_after_it() -> None:
    # Of the teeth still followed, one in twelve more is made to fail in 2022 and 2023.
    rows = invented(teeth=2400, rate=0.02).with_columns(number=pl.int_range(pl.len()))
    day = pl.lit(dt.date(2022, 1, 1)) + pl.duration(days=(pl.col("number") * 7) % 700)
    hit = (pl.col("number") % 12 == 0) & (pl.col("start") < day) & ~pl.col("event")
    rows = rows.with_columns(
        exit_days=pl.when(hit).then((day - pl.col("start")).dt.total_days()).otherwise("exit_days"),
        event=pl.col("event") | hit,
    )
    found = monitoring._year_by_year(monitoring._fit(rows), CUTOFF)
    assert found is not None
    signals = [m.month for m in monitoring._chart("all", found, 1.0, 20.0, 1).months if m.signal]
    assert signals
    assert all("2022-01" <= month <= "2024-06" for month in signals)


def test_patients_may_be_numbers() -> None:
    rows = invented(teeth=300).filter(pl.col("provider_id").is_in(["A", "F"]))
    numbers = rows.with_columns(pl.col("patient_id").rank("dense").cast(pl.UInt32))
    assert watch(rows, outcome="x", cutoff=CUTOFF) == watch(numbers, outcome="x", cutoff=CUTOFF)


def test_one_clinician_alone_is_held_against_nobody() -> None:
    rows = invented(teeth=400).with_columns(provider_id=pl.lit("A"))
    (found,) = watch(rows, outcome="x", cutoff=CUTOFF)
    assert found.funnel is None
    assert [r.name for r in found.running] == ["all"]
    nameless = rows.with_columns(provider_id=pl.lit(None, dtype=pl.String))
    assert watch(nameless, outcome="x", cutoff=CUTOFF)[0].running == found.running


def test_no_name_moves_what_is_said_or_simulated() -> None:
    other_names = dict(zip("ABCDEF", "FDEBCA", strict=True))
    rows = invented(teeth=900, bad=1.7)
    first = beside(rows)
    second = beside(rows.with_columns(provider_id=pl.col("provider_id").replace_strict(other_names)))
    by_name = {r.name: r for r in second.rows}
    for row in first.rows:
        expected = replace(row, name=other_names[row.name])
        assert by_name[expected.name] == expected
    assert first.by_chance == second.by_chance


def rising(draw: np.random.Generator, change: dt.date | None, *, teeth: int, yearly: float = 0.03) -> pl.DataFrame:
    """Teeth of one practice whose hazard doubles on one day."""
    began = draw.integers(0, 5400, teeth)
    until = (change - dt.date(2010, 1, 1)).days if change else 10_000
    need, before = draw.exponential(365.25 / yearly, teeth), np.maximum(until - began, 0)
    fails = np.where(need < before, need, before + (need - before) / 2).astype(np.int64)
    left = (CUTOFF - dt.date(2010, 1, 1)).days - began
    return pl.DataFrame(
        {
            "id": [f"t{i:05d}" for i in range(teeth)],
            "patient_id": np.arange(teeth),
            "start": pl.Series(began + 14610).cast(pl.Int32).cast(pl.Date),
            "exit_days": np.minimum(fails, left),
            "event": fails <= left,
        }
    )


@pytest.mark.parametrize(
    ("runs", "teeth"),
    [(8, 900), *(pytest.param(100, n, marks=pytest.mark.thorough) for n in (500, 900, 2400))],
)
def test_a_doubling_is_noticed_after_as_many_months_as_said(runs: int, teeth: int) -> None:
    change = dt.date(2020, 3, 1)
    delays, said, false, months = [], [], 0, 0
    for run in range(runs):
        watched = monitoring._fit(rising(np.random.default_rng([run, teeth]), change, teeth=teeth))
        found = monitoring._year_by_year(watched, CUTOFF)
        assert found is not None
        # What was said on the day of the change, with the pace of the two years before it.
        till = found.firsts.index(change)
        before = replace(
            found, firsts=found.firsts[: till + 1], observed=found.observed[:till], expected=found.expected[:till],
            at_the_end=found.at_the_end * float(found.expected[:till].sum() / found.expected.sum()),
        )  # fmt: skip
        chart = monitoring._chart("all", before, 1.0, 20.0, run)
        whole = cusum(found.observed, found.expected, ratio=2, threshold=chart.threshold)
        after = [s for s in whole.signals if s >= till]
        delays.append(after[0] - till + 1 if after else len(found.observed) - till)
        said.append(chart.delay_months)
        false, months = false + sum(m.signal for m in chart.months), months + till
    # Delays spread about as far as they last.
    error = float(np.mean(said)) / np.sqrt(runs)
    assert np.mean(delays) == pytest.approx(np.mean(said), abs=2.5 * error)
    # One false signal in 20 years, and three errors of a count.
    assert false <= months / 240 + 3 * np.sqrt(months / 240)
