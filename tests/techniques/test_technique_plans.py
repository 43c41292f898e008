"""What would settle a technique question: more failures among many looks, recalls for healing, nothing for habits."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm
from technique_practice import draw

from pipeline.questions.analysis import Analysis
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.engine import answer_all
from pipeline.questions.techniques.question import HEALED, TOOTH_LOSS
from pipeline.results.planning import Plan

ANALYSIS = Analysis()
WAY = next(q for q in all_questions() if q.id == "irrigant_activation")
BARE = {"kind": None, "lesion": None, "crown_at_start": None}


def rows(n: int = 1500, *, way=None, seed: int = 1) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    way = rng.random(n) < 0.5 if way is None else way
    return draw(rng, n, {"irrigant_activation": way, **BARE})


def plan(frame: pl.DataFrame, outcome: str = TOOTH_LOSS, *, beside: int = 0) -> Plan:
    ways = [WAY, *(replace(WAY, id=f"other{n}") for n in range(beside))]
    return answer_all(ways, {("course", outcome): frame}, ANALYSIS).plans[0]


def test_more_looks_ask_for_more_failures() -> None:
    alone, among = plan(rows()), plan(rows(), beside=9)
    assert (alone.looks, among.looks) == (1, 10)
    # Alone 5 % for one look, beside nine others a tenth of it.
    z = [norm.isf(alpha / 2) + norm.isf(0.2) for alpha in (0.05, 0.05 / 10)]
    assert among.failures_needed / alone.failures_needed == pytest.approx((z[1] / z[0]) ** 2, rel=0.01)
    assert [g.label for g in alone.groups] == ["Irrigant activated", "Irrigant not activated"]
    assert sum(g.failures for g in alone.groups) == rows()["event"].sum()


def test_practices_together_are_as_many_times_the_failures() -> None:
    found = plan(rows(400))
    assert not found.settled
    assert found.practices == pytest.approx(found.failures_needed / found.failures_so_far, abs=1)


def healing_rows(n: int, *, seed: int = 2) -> pl.DataFrame:
    rng = np.random.default_rng([seed, 1])
    unhealed = pl.Series(rng.random(n) < 0.3)
    return rows(n, seed=seed).with_columns(event=unhealed, recalled=pl.lit(True), recall_years=1.0)


def test_healing_needs_a_range_narrow_enough() -> None:
    found = plan(healing_rows(600), HEALED)
    # 600 teeth have an error of about sqrt(2 * .3 * .7 / 300) = 3.7 per 100; 5 / (1.96 + 0.84) = 1.8 are wanted.
    assert found.practices == pytest.approx((3.74 / 1.785) ** 2, abs=1)
    assert found.hazard_ratio is None
    more = sum(g.more_cases for g in found.groups)
    assert more == pytest.approx(600 * ((3.74 / 1.785) ** 2 - 1), rel=0.15)
    # Four times the teeth have half the error, and need as many all in all.
    larger = plan(healing_rows(2400), HEALED)
    total = [sum(g.cases + g.more_cases for g in p.groups) for p in (found, larger)]
    assert total[0] == pytest.approx(total[1], rel=0.15)


def test_months_for_healing_are_those_of_the_recalls_to_come() -> None:
    found = plan(healing_rows(1200), HEALED)
    arrivals = sum(g.cases_a_year for g in found.groups)
    assert found.months == pytest.approx(12 * sum(g.more_cases for g in found.groups) / arrivals, abs=1)


def test_habits_of_clinicians_are_not_settled_by_more_of_the_same() -> None:
    frame = rows(3000)
    way = frame["provider_id"].is_in(["c0", "c1"])
    found = plan(frame.with_columns(irrigant_activation=way))
    assert (found.failures_needed, found.months, found.practices) == (None, None, None)
    assert "more cases of the same kind would not settle this" in found.sentences[0]


def test_what_is_answered_is_settled() -> None:
    rng = np.random.default_rng(3)
    way = rng.random(12000) < 0.5
    found = plan(draw(rng, 12000, {"irrigant_activation": way, **BARE}, log_hazard=np.log(2.0) * ~way))
    assert found.settled


def test_the_order_of_rows_changes_no_plan() -> None:
    frame = rows(700)
    found, again = plan(frame), plan(frame.sample(fraction=1, shuffle=True, seed=2))
    assert replace(again, design_effect=found.design_effect) == found
    assert again.design_effect == pytest.approx(found.design_effect)
