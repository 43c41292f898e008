"""Pooling: known truth found again, splits put together, duplicates and other rules refused, any order of the files."""

from __future__ import annotations

import dataclasses
import itertools
import math
import statistics

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pool_practices import MAIN, contributed, no_frailty, practice, results_of, tables

from pipeline.machine.errors import DataError
from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.release.disclosure import SLACK
from pipeline.release.pool.combine import pool
from pipeline.release.pool.contribution import Contribution, Line
from pipeline.release.pool.curves import pooled_curve
from pipeline.results import to_plain
from pipeline.results.pooled import PooledComparison, PooledResults
from pipeline.stats.kaplan_meier import kaplan_meier
from synthetic_data.truth import DEFAULT, NULL

TRUTH = math.log(DEFAULT.hr_opened / DEFAULT.hr_before_seat)


def main(pooled: PooledResults) -> PooledComparison:
    return next(c for c in pooled.comparisons if c.id == MAIN)


def value(pooled: PooledResults, kind: str, id: str = MAIN):
    return next(v for c in pooled.comparisons if c.id == id for v in c.values if v.kind == kind)


FIVE = [practice(seed) for seed in range(1, 6)]


@pytest.fixture
def five() -> list[Contribution]:
    return list(FIVE)


@pytest.fixture(scope="module")
def pooled() -> PooledResults:
    return pool(FIVE)


def test_the_order_of_the_files_changes_nothing(five, pooled):
    first = to_plain(pooled)
    for order in itertools.islice(itertools.permutations(five), 1, 120, 29):
        assert to_plain(pool(order)) == first


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("pools", "least"),
    # Fewer ranges that hold the truth come by chance 1 in 71 and 1 in 100 at 95 %.
    [(4, 3), pytest.param(16, 13, marks=pytest.mark.slow)],
)
def test_the_known_truth_is_found_again(pools, least):
    """Pools of four practices: the average is near, and the ranges hold the truth about as often as they say."""
    found = []
    for first in range(0, 4 * pools, 4):
        four = [practice(100 + first + i, crowns=1500, truth=no_frailty()) for i in range(4)]
        found.append(value(pool(four), "adjusted"))
    logs = [math.log(v.value) for v in found]
    error = statistics.stdev(logs) / math.sqrt(len(logs))
    assert abs(statistics.mean(logs) - TRUTH) < 3 * error
    assert error < 0.32 / math.sqrt(pools)
    held = sum(v.low <= math.exp(TRUTH) <= v.high for v in found)
    assert held >= least


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("pools", "most"),
    # More claims come by chance 1 in 140 and 1 in 90 at 5 %.
    [(3, 1), pytest.param(10, 2, marks=pytest.mark.slow)],
)
def test_where_nothing_differs_no_difference_is_claimed(pools, most):
    claimed = 0
    for first in range(0, 3 * pools, 3):
        three = [practice(400 + first + i, truth=no_frailty(NULL)) for i in range(3)]
        claimed += main(pool(three)).verdict.code == "differs"
    assert claimed <= most


def test_halves_of_a_practice_put_together_are_near_the_whole():
    crowns, patients = tables(crowns=6000, seed=9)
    odd = pl.col("patient_id").str.slice(1).cast(pl.Int64) % 2 == 1
    halves = [contributed(crowns.filter(x), patients.filter(x), code=f"{i:016x}") for i, x in enumerate((odd, ~odd))]
    together = pool(halves)
    whole = results_of(crowns, patients).comparisons[0]
    ratio = next(e for e in whole.estimates if e.contrast == "through_crown vs before_seat" and e.adjusted_for)
    pooled = value(together, "adjusted")
    own = math.log(ratio.ci_high / ratio.ci_low) / (2 * 1.96)
    assert abs(math.log(pooled.value / ratio.hazard_ratio)) < own
    assert pooled.usual_high / pooled.usual_low > 0.9 * ratio.ci_high / ratio.ci_low
    spells = state_spells(crown_rows(crowns, patients))
    for group in main(together).groups:
        rows = spells.filter(pl.col("state") == group.name)
        curve = kaplan_meier(rows["exit_days"], rows["event"], entry_days=rows["entry_days"])
        assert abs(group.teeth - rows["crown_id"].n_unique()) <= 2 * SLACK
        assert abs(group.failures - rows["event"].sum()) <= 2 * SLACK
        if group.name == "before_seat":
            for point in (p for p in group.points if p.months in (60, 120)):
                left = curve.at([round(point.months / 12 * 365.25)]).survival[0]
                assert abs(point.failed - 100 * (1 - left)) < 1.5


def test_a_pooled_curve_by_hand():
    # Two practices alike: 15 failures in the first year's 100 tooth-years, 15 in the second's 75; none told after.
    table = (
        Line(0, 110, 0, None),
        Line(6, 100, 50, None),
        Line(12, 80, 100, 15),
        Line(18, 75, 140, 15),
        Line(24, 70, 175, 30),
    )
    points, spread = pooled_curve([table, table], confidence=0.95)
    assert [p.months for p in points] == [0, 6, 12, 18, 24]
    rates = [0.15, 0.15, 0.2, 0.2]  # 15 of 100, then 15 of 75, whatever the share of each half-year
    failed = [100 * (1 - math.exp(-sum(rates[:i]) / 2)) for i in range(5)]
    assert [p.failed for p in points] == pytest.approx(failed)
    assert [p.followed for p in points] == [220, 200, 160, 150, 150]
    assert spread == 1.0
    assert pooled_curve([table], confidence=0.95) == ((), 1.0)
    # A practice whose running count never changes tells nothing.
    assert pooled_curve([table, table[:2]], confidence=0.95) == ((), 1.0)


def test_one_practice_alone_is_refused(five):
    for given_ in ([], five[:1]):
        with pytest.raises(DataError, match="at least two practices"):
            pool(given_)


def test_a_practice_given_twice_is_refused(five):
    later = dataclasses.replace(five[0], data_until="2025-06", contrasts=five[0].contrasts[:1])
    for twice in ([five[0], five[0]], [five[0], five[1], later]):
        with pytest.raises(DataError, match="same practice"):
            pool(twice)


def test_the_same_data_under_another_code_are_refused(five):
    copied = dataclasses.replace(five[0], code="f" * 16, data_until="2025-06", contrasts=five[0].contrasts[:1])
    with pytest.raises(DataError, match="same figures"):
        pool([*five, copied])


@pytest.mark.parametrize(("rule", "other"), [("course_gap_days", "90"), ("crown_date", "prep"), ("horizon_years", "3")])
def test_practices_that_count_by_other_rules_are_refused(five, rule, other):
    rules = tuple((k, other if k == rule else v) for k, v in five[1].rules)
    with pytest.raises(DataError, match=rule):
        pool([five[0], dataclasses.replace(five[1], rules=rules)])
    without = tuple((k, v) for k, v in five[1].rules if k != rule)
    with pytest.raises(DataError, match=rule):
        pool([five[0], dataclasses.replace(five[1], rules=without)])


def test_two_practices_are_said_to_be_too_few(five):
    two = value(pool(five[:2]), "adjusted")
    assert two.heterogeneity == (
        "Two practices alone cannot show how far practices differ; the range is wide because of that.",
    )
    assert two.leave_one_out == "With fewer than three practices none can be left out."
    assert two.high / two.low > two.usual_high / two.usual_low
    assert {p.without for p in two.parts} == {None}


def test_heterogeneity_is_told_in_words(five, pooled):
    text = " ".join(value(pooled, "adjusted").heterogeneity)
    assert "5 practices differ no more than chance" in text
    far = [dataclasses.replace(c, contrasts=(shifted(c.contrasts[0], 4 * i),)) for i, c in enumerate(five)]
    found = value(pool(far), "adjusted")
    assert "differ by more than chance" in found.heterogeneity[0]
    assert found.i2 > 0.5
    assert found.predicted_high > found.high


def shifted(contrast, steps: int):
    moved = round(contrast.adjusted.log_hazard_ratio + steps * contrast.adjusted.step, 2)
    # Far from the crude ratio and the difference it would be no practice's.
    adjusted = dataclasses.replace(contrast.adjusted, log_hazard_ratio=moved)
    return dataclasses.replace(contrast, crude=None, gap=None, adjusted=adjusted)


def test_a_technique_difference_must_survive_the_family(pooled):
    asked = next(c for c in pooled.comparisons if c.technique)
    assert asked.p_family is not None
    assert asked.groups[0].points == ()
    # Differences of 4 per 100 in five practices with small errors would pass alone, and do: the family has one member.
    assert asked.p_family == max(v.p for v in asked.values)


def test_questions_that_one_practice_alone_answers_are_left_out(five):
    lone = [five[0], *(dataclasses.replace(c, contrasts=c.contrasts[:1]) for c in five[1:])]
    assert [c.id for c in pool(lone).comparisons] == [MAIN]


def test_unadjusted_differences_are_left_out_where_others_are_adjusted(five):
    crude = dataclasses.replace(five[0].contrasts[0], gap=dataclasses.replace(five[0].contrasts[0].gap, adjusted=False))
    mixed = [dataclasses.replace(five[0], contrasts=(crude,)), *five[1:]]
    found = pool(mixed)
    fine = sum(c.contrasts[0].gap is not None for c in five[1:])  # steps wider than 5 are not given
    assert len(value(found, "difference").parts) == fine >= 2
    assert "unadjusted difference, which was left out" in " ".join(main(found).notes)


def test_the_verdict_stands_on_the_pooled_difference(five, pooled):
    found = main(pooled)
    gap = value(pooled, "difference")
    inside = gap.low > -5 and gap.high < 5
    apart = gap.low > 0 or gap.high < 0
    assert found.verdict.code == ("little_difference" if inside else "differs" if apart else "cannot_tell")
    none = [dataclasses.replace(c, contrasts=(dataclasses.replace(c.contrasts[0], gap=None),)) for c in five]
    without = main(pool(none)).verdict
    assert without.code == "cannot_tell"
    assert "times as fast with root canal through the crown" in without.sentence
    assert "How many more or fewer of 100 by 5 years is not said" in without.sentence
    bare = [dataclasses.replace(c.contrasts[0], gap=None, crude=None, adjusted=None) for c in five]
    nothing = main(pool([dataclasses.replace(c, contrasts=(b,)) for c, b in zip(five, bare, strict=True)])).verdict
    assert nothing.code == "too_early"
    assert "No practice gave a difference" in nothing.sentence


@given(st.lists(st.tuples(st.integers(-8, 8), st.integers(0, 4)), min_size=2, max_size=5, unique_by=lambda x: x[1]))
@settings(max_examples=15, deadline=None)
def test_whatever_practices_give_the_pooled_value_lies_among_theirs(drawn):
    given_ = []
    for steps, which in drawn:
        one = FIVE[which]
        given_.append(dataclasses.replace(one, contrasts=(shifted(one.contrasts[0], steps),)))
    found = value(pool(given_), "adjusted")
    own = [p.value for p in found.parts]
    assert min(own) - 1e-9 <= found.value <= max(own) + 1e-9
    assert found.low <= found.value <= found.high
    assert sum(p.weight for p in found.parts) == pytest.approx(1)
