"""Planning by hand and by simulation: the pace of two groups, and the failures, months and practices lacking."""

import dataclasses
import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from drawn import frame

from pipeline.questions.analysis import Analysis
from pipeline.questions.group_ratios import group_ratios
from pipeline.questions.groups import make_group
from pipeline.questions.planning import months_until, paces, plan_question, smallest_ratio
from pipeline.results import DAYS_PER_YEAR, Comparison, Looked, Verdict
from pipeline.results.planning import Plan, what_settles
from pipeline.stats.events_needed import information_needed

UNTIL = dt.date(2022, 1, 1)
ANALYSIS = Analysis()
# C1 changes its state on day 100, C2 failed, C3 died, C4 was last seen long ago, C5 and C6 are still followed.
SPELLS = frame("""
    crown_id | state  | entry_days | exit_days | event | exit_date  | exit_reason
    C1       | vital  | 0          | 100       | false | 2021-06-01 | cutoff
    C1       | opened | 100        | 465       | false | 2021-06-01 | cutoff
    C2       | vital  | 0          | 365       | true  | 2015-01-01 | failed
    C3       | vital  | 0          | 365       | false | 2021-01-01 | death
    C4       | vital  | 0          | 365       | false | 2015-01-01 | last_contact
    C5       | vital  | 0          | 365       | false | 2022-01-01 | cutoff
    C6       | vital  | 0          | 1000      | false | 2021-12-01 | last_contact
""")


def test_pace_by_hand():
    # Entered since 2 January 2020: C1 (21 February), C3 (2 January is not after it), C5. Gone: C1, C3, C4.
    found = paces(SPELLS, unit="crown_id", until=UNTIL)["vital"]
    years = (100 + 4 * 365 + 1000) / DAYS_PER_YEAR
    assert (found.cases, found.failures, found.followed) == (6, 1, 2)
    assert found.arrivals == pytest.approx(2 / (730 / DAYS_PER_YEAR))
    assert (found.tooth_years, found.leaving) == pytest.approx((years, 3 / years))
    assert paces(SPELLS, unit="crown_id", until=UNTIL)["opened"].followed == 1
    assert "none" not in paces(SPELLS, unit="crown_id", until=UNTIL)


def practice(n: int, *, ratio: float, years: int = 12, seed: int = 1) -> pl.DataFrame:
    """Crowns seated evenly over `years` and followed; one in four is opened, and fails `ratio` times as often."""
    random = np.random.default_rng(seed)
    state = np.where(random.random(n) < 0.25, "opened", "before")
    possible = random.integers(1, int(years * DAYS_PER_YEAR), n)
    fails = np.ceil(random.exponential(np.where(state == "opened", 1 / ratio, 1.0) * DAYS_PER_YEAR / 0.02)).astype(int)
    days = np.minimum(fails, possible)
    ends = [UNTIL - dt.timedelta(days=int(p - d)) for p, d in zip(possible, days, strict=True)]
    return pl.DataFrame(
        {
            "crown_id": [f"C{i:05}" for i in range(n)],
            "patient_id": [f"p{i:05}" for i in range(n)],
            "provider_id": "d1",
            "state": state,
            "entry_days": 0,
            "exit_days": days,
            "event": fails <= possible,
            "failure": fails <= possible,
            "exit_date": ends,
            "exit_reason": np.where(fails <= possible, "failed", "cutoff"),
        }
    )


def compared(spells: pl.DataFrame, *, code: str = "cannot_tell") -> Comparison:
    ratios = group_ratios(spells, (("opened", "before"),), (), ANALYSIS, unit="crown_id", model="cox")
    groups = tuple(
        make_group(part, name=s, label=s, counted=part, rules=ANALYSIS.curve_rules())
        for s in ("opened", "before")
        for part in [spells.filter(pl.col("state") == s)]
    )
    verdict = Verdict(code, "", "", "", "", "", 5.0)
    return Comparison("q", "Title", "", "", "", groups, ratios.estimates, None, None, verdict, (), (), (), 5.0)


def planned(spells: pl.DataFrame, **options) -> Plan:
    plan = plan_question(compared(spells, **options), spells, ANALYSIS, cutoff=UNTIL)
    assert plan is not None
    return plan


def test_without_a_design_effect_it_is_the_formula():
    plan = planned(practice(1500, ratio=1.0))
    assert plan.hazard_ratio is not None
    assert plan.design_effect == pytest.approx(1.0, abs=0.1)
    # The share of the opened in what is at risk is one in four.
    wanted = information_needed(plan.hazard_ratio) / (0.25 * 0.75) * (plan.design_effect or 1)
    assert plan.failures_needed == pytest.approx(wanted, rel=0.05)


@pytest.mark.thorough
def test_the_numbers_asked_for_give_the_power_promised():
    # As many crowns as it asks for, of a practice in which the ratio is just the one to be found.
    plan = planned(practice(600, ratio=1.0))
    assert plan.failures_needed is not None
    assert plan.hazard_ratio is not None
    cases = sum(g.cases + (g.more_cases or 0) for g in plan.groups)
    found = 0
    for seed in range(120):
        fit = compared(practice(cases, ratio=plan.hazard_ratio, seed=100 + seed)).estimates[0]
        found += fit.p < 0.05
    # More fail than planned, since the one group fails more: the power is a little above 0.8.
    assert 0.72 <= found / 120 <= 0.95


def test_months_at_the_present_pace_come_true():
    # What 12 years forecast of 16: the same practice, seen four years later, has the information about then.
    now = planned(practice(1200, ratio=1.0))
    sides = [paces(practice(1200, ratio=1.0), unit="crown_id", until=UNTIL)[s] for s in ("opened", "before")]
    later = practice(1600, ratio=1.0, years=16, seed=2)
    failing = now.failures_so_far / sum(s.tooth_years for s in sides)
    years = [later.filter(pl.col("state") == s)["exit_days"].sum() / DAYS_PER_YEAR for s in ("opened", "before")]
    reached = failing * years[0] * years[1] / sum(years)
    assert months_until(reached, sides, failing) == pytest.approx(48, abs=8)


def test_a_claim_among_other_questions_takes_more_failures():
    # z for a two-sided 0.05 / 30 is 3.14, and 0.84 for four times in five.
    spells = practice(600, ratio=1.0)
    alone = planned(spells)
    looked = Looked(0.005, 0.14, 7, 1 / 30)
    among = plan_question(compared(spells), spells, ANALYSIS, cutoff=UNTIL, looked=looked)
    assert among is not None
    assert among.looks == 7
    assert among.failures_needed / alone.failures_needed == pytest.approx((3.1440 + 0.8416) ** 2 / 2.8016**2, rel=0.01)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"settled": True}, "Else."),
        ({"failures_needed": None, "sentences": ("No failure yet.",)}, "No failure yet."),
        ({"failures_needed": None, "sentences": ()}, "More of the same records would not settle it."),
        ({"failures_needed": 100}, "Failures enough here to FIND; a smaller one takes more."),
        ({}, "In about 5 years here, or at once in the records of 2 practices of this size together. That would FIND."),
        ({"months": 14, "practices": 1}, "In about 14 months here. That would FIND."),
        (
            {"months": None},
            "At once in the records of 2 practices of this size together, but not here within 10 years. That would "
            "FIND.",
        ),
        ({"months": None, "practices": None}, "Not here within 10 years. That would FIND."),
    ],
)
def test_what_would_settle_it_says_what_it_would_do(given, said):
    plan = replace(
        planned(practice(200, ratio=1.0)),
        **{"settled": False, "failures_so_far": 100, "failures_needed": 150, "months": 62, "practices": 2, **given},
    )
    find = "find a difference of 5 of 100, if there is one, four times in five"
    assert what_settles(plan, "Else.") == said.replace("FIND", find)
    assert what_settles(None, "Else.") == "Else."


def test_not_at_this_pace_is_said():
    spells = practice(200, ratio=1.0)
    stopped = spells.filter(pl.col("exit_date") < dt.date(2018, 1, 1))
    plan = planned(stopped)
    assert plan.months is None
    assert any(s.startswith("Not at this pace") for s in plan.sentences)


def test_an_answered_question_is_settled():
    plan = planned(practice(600, ratio=1.0), code="little_difference")
    assert plan.settled
    assert plan.sentences[0].startswith("Answered for now")


def test_without_a_failure_nothing_is_worked_out():
    spells = practice(100, ratio=1.0).with_columns(event=False, failure=False)
    plan = planned(spells)
    assert (plan.failures_needed, plan.months, plan.practices) == (None, None, None)
    assert plan.sentences == ("No failure has been seen yet: what would settle this cannot be worked out.",)


def test_the_smallest_ratio_is_the_harder_direction():
    # From 90 to 85 in place is a ratio of 1.54; from 90 to 95 would be 1 / 2.05, easier to see.
    assert smallest_ratio(0.9, 0.05) == pytest.approx(np.log(0.85) / np.log(0.9))


def test_row_order_and_every_number_in_words():
    spells = practice(600, ratio=1.0)
    plan = planned(spells)
    again = plan_question(compared(spells), spells.reverse(), ANALYSIS, cutoff=UNTIL)
    assert again is not None
    assert dataclasses.replace(again) == plan
    said = " ".join(plan.sentences)
    for number in (plan.failures_needed, plan.failures_so_far, plan.practices, *(g.more_cases for g in plan.groups)):
        assert f"{number:,}" in said


def test_every_state_with_a_row_has_a_pace():
    found = paces(SPELLS, unit="crown_id", until=UNTIL)
    assert {state: (p.cases, p.failures, p.followed) for state, p in found.items()} == {
        "vital": (6, 1, 2),
        "opened": (1, 0, 1),
    }
