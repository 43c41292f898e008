"""An attacker who knows that somebody has many crowns: when they failed, when he left, and what he is, by averages."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable

import numpy as np
import polars as pl
import pytest
import sample_results as samples
from half_years import of_rows
from plain_gate import plain_gate

from dashboards.release.curve import told_table
from dashboards.release.healing import release_healing, release_losses
from dashboards.release.rates import release_rates
from dashboards.release.released import _comparison as comparison_of
from dashboards.release.released import release
from dashboards.release.table1 import release_table1
from dashboards.release.technique import release_techniques
from dashboards.release.trial import release_everyday, release_outcomes
from pipeline.questions.groups import CurveRules, make_group
from pipeline.release.disclosure import SMALLEST, VERY_MANY, Gate, Rounding
from pipeline.release.pool.contribution import Line
from pipeline.release.pool.make import risk_set_table
from pipeline.results import BalanceRow, Group
from pipeline.results.records import Records

PLACES = range(3, 15)
SEEDS = range(8)


def practice(seed: int, *, his: int, place: int, failed: bool) -> pl.DataFrame:
    """300 teeth from one start, of which a few fail, and those of one patient, who all end in one half-year."""
    rng = np.random.default_rng(seed)
    fails, leaves = rng.exponential(40, 300), rng.uniform(0, 12, 300)
    days = np.append(np.minimum(fails, leaves), [place / 2 - 0.25] * his) * 365.25
    event = np.append(fails <= leaves, [failed] * his)
    return pl.DataFrame({"entry_days": np.zeros(300 + his), "exit_days": days, "event": event})


def found(gate: Callable[[int], Gate], *, his: int, failed: bool, told: Callable[[tuple[Line, ...]], list[int]]) -> int:
    """How often the half-year of the patient is the one that stands out most of what is told."""
    hits = 0
    for seed in SEEDS:
        for place in PLACES:
            values = told(risk_set_table(gate(seed), "", of_rows(practice(seed, his=his, place=place, failed=failed))))
            hits += len(values) > place and int(np.argmax(values)) == place
    return hits


def failures_told(table: tuple[Line, ...]) -> list[int]:
    """By how much the count of failures grows in each half-year, once it is told."""
    counts = [line.failures or 0 for line in table]
    first = next((i for i, n in enumerate(counts) if n), 0)
    return [0 if i <= first else b - a for i, (a, b) in enumerate(zip([0, *counts], counts, strict=False))]


def leaving_told(table: tuple[Line, ...]) -> list[int]:
    counts = [line.followed for line in table]
    return [0, *(a - b for a, b in itertools.pairwise(counts))]


CASES = len(SEEDS) * len(PLACES)


def test_the_half_year_in_which_all_crowns_of_a_patient_failed_does_not_stand_out() -> None:
    """Twelve crowns lost on one day make a change of a curve by themselves, unless others must be half of it."""
    blind, watching = (
        found(lambda s, n=n: Gate(Rounding(bytes([s])), failures_of_one=n), his=12, failed=True, told=failures_told)
        for n in (1, 12)
    )
    assert blind > CASES / 2
    assert watching < CASES / 4


def test_the_half_year_in_which_a_patient_with_very_many_crowns_left_does_not_stand_out() -> None:
    his = VERY_MANY + 8
    blind, watching = (
        found(lambda s, n=n: Gate(Rounding(bytes([s])), teeth_of_one=n), his=his, failed=False, told=leaving_told)
        for n in (1, his)
    )
    assert blind > CASES / 2
    assert watching < CASES / 3


def test_numbers_followed_are_told_in_steps_of_which_one_patient_is_half_at_most() -> None:
    gate = Gate(Rounding(b"x"), teeth_of_one=31)
    told = gate.followed([300, 299, 270, 200, 130, 65, 62, 61, 100])
    assert all(n is None or n % 65 == 0 for n in told)
    assert all(abs((n or 0) - exact) < 65 for n, exact in zip(told[:7], (300, 299, 270, 200, 130, 65, 62), strict=True))
    assert told[4:8] == [130, 65, 65, None]


def a_few_patients(seed: int) -> tuple[Group, pl.DataFrame]:
    """240 teeth, of which the early failures are those of a patient each, the later ones of five patients by turns."""
    rng = np.random.default_rng(seed)
    days = np.sort(rng.uniform(30, 2900, 80)).astype(int)
    whose = [f"p{i}" if i < 40 else f"f{i % 5}" for i in range(80)]
    spells = pl.DataFrame(
        {
            "entry_days": np.zeros(240, int),
            "exit_days": np.append(days, np.full(160, 2920)),
            "event": np.arange(240) < 80,
            "patient_id": [*whose, *(f"q{i}" for i in range(160))],
        }
    )
    rules = CurveRules(0.95, 10, 0.05, (0, 5))
    return make_group(spells, name="a", label="", counted=spells.with_columns(failure="event"), rules=rules), spells


@pytest.mark.parametrize("seed", SEEDS)
def test_a_change_of_a_curve_rests_on_eleven_patients(seed: int) -> None:
    """Eleven failures of five patients tell when these failed: nothing changes for them alone, here or in a pool."""
    group, spells = a_few_patients(seed)
    gate = Gate(Rounding(bytes([seed])), failures_of_one=8)
    failed = spells.filter("event")
    table = told_table(gate, group)
    assert table is not None
    lines = risk_set_table(gate, group.name, group.half_years)
    by_line = [b.months for a, b in itertools.pairwise(lines) if a.failures != b.failures]
    for months in ([table.months[i] for i, _ in table.changes[:-1]], by_line):
        assert months
        for before, now in itertools.pairwise([0, *months]):
            inside = failed.filter(pl.col("exit_days").is_between(before * 30.4375, now * 30.4375, closed="right"))
            assert inside["patient_id"].n_unique() >= SMALLEST
    uncounted = tuple(dataclasses.replace(h, failed_patients=None) for h in group.half_years)
    blind = dataclasses.replace(group, half_years=uncounted)
    told = told_table(gate, blind)
    assert told is not None
    assert len(told.changes) > len(table.changes)


@pytest.mark.parametrize(("most", "told"), [(64, True), (65, False)])
def test_table_one_of_a_group_in_which_one_patient_weighs_is_withheld(most: int, told: bool) -> None:
    """640 crowns in the smaller group: were a third of them his, its mean age and share of smokers were nearly his."""
    main = samples.differs().comparisons[0]
    assert main.robustness is not None
    rows = (BalanceRow("age_at_seat", "age", 0.1, None, 54.4, 51.5), BalanceRow("smoker_true", "", 0.1, None, 0.3, 0.2))
    compared = dataclasses.replace(main, robustness=dataclasses.replace(main.robustness, balance=rows))
    gate = plain_gate(teeth_of_one=most)
    assert bool(release_table1(gate, compared, {"before_seat", "through_crown"})) == told
    assert bool(gate.withheld) == (not told)


def test_the_mean_of_those_who_have_the_number_is_withheld_where_one_patient_weighs_among_them() -> None:
    main = samples.differs().comparisons[0]
    assert main.robustness is not None
    rows = (
        BalanceRow("age_at_seat", "", 0.1, None, 54.4, 51.5),
        BalanceRow("age_at_seat_unknown", "", 0, None, 0.5, 0),
    )
    compared = dataclasses.replace(main, robustness=dataclasses.replace(main.robustness, balance=rows))
    (line,) = release_table1(plain_gate(teeth_of_one=60), compared, {"before_seat", "through_crown"})
    assert (line.of_reference is None) != (line.of_group is None)


def test_a_patient_whose_crowns_were_all_opened_counts_as_one_with_many_failures(tmp_path) -> None:
    """Teeth that came to need a root canal are told by the same rule as failures."""
    import datetime as dt

    from pipeline.practice.tables import CROWNS
    from pipeline.release.memory import records_of
    from pipeline.storing.store import open_store
    from tests.releases.test_release_memory import crowns

    rows = crowns(range(20)).with_columns(
        patient_id=pl.when(pl.int_range(pl.len()) < 6).then(pl.lit("one")).otherwise("patient_id"),
        tooth_fdi=(pl.int_range(pl.len()) % 6 + 11).cast(pl.UInt8),
        endo_timing=pl.lit("through_crown"),
        access_date=pl.lit(dt.date(2016, 1, 1)),
    )
    with open_store(tmp_path / "a.duckdb") as store, store.transaction():
        store.replace(CROWNS, rows)
        told = records_of(store)
    assert (told.teeth_of_one, told.failures_of_one) == (6, 6)


@pytest.mark.parametrize(("most", "told"), [(10, True), (11, False)])
def test_success_rates_of_a_group_in_which_one_patient_weighs_are_withheld(most: int, told: bool) -> None:
    """Were 11 of 100 teeth his, all lost or all in place, the rate would move by more than its step of 10."""
    whole = next(t for t in samples.differs().rates if (t.by, t.outcome) == ("overall", "crown_survival"))
    row = dataclasses.replace(whole.rows[0], teeth=100, patients=90, failures=20, followed=60, survival=0.8)
    results = dataclasses.replace(samples.differs(), rates=(dataclasses.replace(whole, rows=(row,)),))
    ((shown,),) = (t.rows for t in release_rates(plain_gate(teeth_of_one=most), results))
    assert (shown.teeth.value, shown.failures.value) == (100, 20)
    assert (shown.in_place is not None) == told


def test_other_shares_of_teeth_are_withheld_there_too() -> None:
    few, many = (release(dataclasses.replace(samples.differs(), records=Records("x", n))) for n in (1, 200))
    assert [f.of for f in few.methods.followup] == ["crowns", "root canals"]
    assert [f.of for f in many.methods.followup] == ["crowns"]  # 1,540 root canals, of which he could have 200
    assert None not in few.losses[0].causes[-1].within
    assert set(many.losses[0].causes[-1].within) == {None}


def test_rows_set_aside_are_not_told_since_all_may_be_of_one_patient() -> None:
    results = dataclasses.replace(samples.differs(), records=Records("x"))
    few, many = (
        release(dataclasses.replace(results, counts=dataclasses.replace(results.counts, quarantined=n)))
        for n in (3, 300)
    )
    assert few == many


@pytest.mark.parametrize(("patients", "told"), [(10, None), (11, 20)])
def test_failures_of_fewer_than_eleven_patients_are_hidden(patients: int, told: int | None) -> None:
    """Twenty failures may be those of a few: 17 of a clinician's in a small practice were of nine patients."""
    results = samples.differs()
    main = results.comparisons[0]
    groups = tuple(dataclasses.replace(g, failures=20, failed_patients=patients) for g in main.groups)
    rates = tuple(
        dataclasses.replace(
            t, rows=tuple(dataclasses.replace(r, failures=20, failed_patients=patients) for r in t.rows[:1])
        )
        for t in results.rates
    )
    answers = tuple(
        dataclasses.replace(
            a, groups=tuple(dataclasses.replace(g, failures=20, failed_patients=patients) for g in a.groups)
        )
        for a in results.techniques
    )
    compared = dataclasses.replace(main, groups=groups)
    gate = plain_gate()
    tables = release_rates(gate, dataclasses.replace(results, rates=rates))
    shown = [r.failures.value for t in tables for r in t.rows if t.by == "overall"]
    assert set(shown) == {told}
    assert {g.failures.value for g in comparison_of(gate, compared).groups} == {told}
    assert bool(release_techniques(gate, answers, smallest=5).answers) == (told is not None)


@pytest.mark.parametrize(("patients", "told"), [(10, False), (11, True)])
def test_losses_and_healing_of_fewer_than_eleven_patients_are_hidden(patients: int, told: bool) -> None:
    results = samples.differs()
    gate = plain_gate()
    losses = []
    for table in results.losses:
        totals = (dataclasses.replace(g.total, patients=patients) for g in table.groups)
        groups = tuple(dataclasses.replace(g, total=t) for g, t in zip(table.groups, totals, strict=True))
        losses.append(dataclasses.replace(table, groups=groups))
    for found in release_losses(gate, losses):
        assert (found.causes[-1].losses.value is not None) == told
    whole = next(r for r in results.recalls if r.name == "all")
    assert bool(release_healing(gate, [dataclasses.replace(whole, patients=patients)])) == told
    (line,) = release_healing(gate, [dataclasses.replace(whole, healed_patients=patients)])
    assert (line.states[0].teeth.value is not None) == told


@pytest.mark.parametrize(("patients", "told"), [(10, False), (11, True)])
def test_root_canals_needed_by_fewer_than_eleven_patients_are_hidden(patients: int, told: bool) -> None:
    """Teeth crowned vital that came to need one, and each outcome of the decision: twenty may be those of a few."""
    trials = tuple(
        dataclasses.replace(
            t,
            curves=tuple(dataclasses.replace(c, event_patients=patients) for c in t.curves),
            everyday_curves=tuple(dataclasses.replace(c, event_patients=patients) for c in t.everyday_curves),
        )
        for t in samples.differs().trials
    )
    needed = [c.needed.value is not None for c in release_everyday(plain_gate(), trials)]
    given = [o.per_100 is not None for o in release_outcomes(plain_gate(), trials)]
    assert any(needed) == any(given) == told
