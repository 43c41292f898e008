"""One group of a comparison, worked by hand: where its curve starts and stops, its points, its milestones, its rate."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from drawn import frame

from pipeline.questions.analysis import Analysis
from pipeline.questions.groups import (
    CurveRules,
    curve_end,
    curve_start,
    curve_stop,
    days_of,
    enough_for_curve,
    failed_patients,
    make_group,
    milestone_days,
)
from pipeline.results import LAST_MONTH, Group, HalfYear
from pipeline.stats.kaplan_meier import kaplan_meier
from pipeline.stats.rates import poisson_limits

# At risk 5, 4, 3 and 2; the curve falls to 4/5 on day 100 and to 8/15 on day 400.
FIVE = frame("""
    patient_id | entry_days | exit_days | event
    p1         | 0          | 100       | true
    p2         | 0          | 200       | false
    p3         | 0          | 400       | true
    p4         | 0          | 800       | false
    p5         | 0          | 800       | false
""")
# Two enter on day 10 and fail, one after the other; on day 30 three more enter, and one of these is left at the end.
LATE = frame("""
    patient_id | entry_days | exit_days | event
    p1         | 10         | 15        | true
    p2         | 10         | 20        | true
    p3         | 30         | 50        | true
    p4         | 30         | 60        | false
    p5         | 30         | 70        | true
""")


def rules(min_at_risk: int = 2, max_step: float = 1.0, years: tuple[float, ...] = (0, 1, 2)) -> CurveRules:
    return CurveRules(min_at_risk, max_step, 0.95, years)


def group(spells: pl.DataFrame, asked: CurveRules, *, late: bool = False) -> Group:
    counted = spells.with_columns(failure="event")
    return make_group(spells, name="vital", label="Vital", counted=counted, rules=asked, late=late)


def test_who_was_followed_counts_all_who_were_in_the_group_at_some_time():
    # Of five crowns three stayed in the group; two were opened later and are counted there by their label.
    stayed = FIVE.with_row_index().filter(pl.col("index") < 3).with_columns(failure="event")
    found = make_group(FIVE, name="vital", label="Vital", counted=stayed, rules=rules())
    assert (found.crowns, found.patients) == (3, stayed["patient_id"].n_unique())
    assert (found.followed, found.followed_patients) == (5, FIVE["patient_id"].n_unique())
    assert found.tooth_years == pytest.approx(FIVE["exit_days"].sum() / 365.25)


@pytest.mark.parametrize(
    ("min_at_risk", "max_step", "stop", "why"),
    [
        (2, 1.0, 800, "the end of follow-up"),
        (3, 1.0, 400, "fewer than 3 are followed after that"),
        (4, 1.0, 200, "fewer than 4 are followed after that"),
        (6, 1.0, 0, "fewer than 6 are followed after that"),
        (1, 0.3, 800, "the end of follow-up"),
        # One more failure would move the curve by 1/5, 1/5, 4/15 and 4/15; on the limit it may stay.
        (1, 0.25, 200, "one more failure would move it by more than 25 of 100"),
        (1, 0.2, 200, "one more failure would move it by more than 20 of 100"),
        (1, 0.19, 0, "one more failure would move it by more than 19 of 100"),
        (4, 0.25, 200, "fewer than 4 are followed after that"),
    ],
)
def test_where_a_curve_stops_and_why(min_at_risk, max_step, stop, why):
    curve = kaplan_meier(FIVE["exit_days"], FIVE["event"])
    assert curve_stop(curve, rules=rules(min_at_risk, max_step)) == (stop, why)


@pytest.mark.parametrize(("min_at_risk", "max_step", "need"), [(10, 0.05, 20), (30, 0.05, 30), (1, 0.3, 4), (1, 1, 1)])
def test_how_many_a_late_curve_asks_for(min_at_risk, max_step, need):
    assert enough_for_curve(rules(min_at_risk, max_step)) == need


def test_a_curve_starts_where_enough_have_entered_and_stay():
    assert curve_start(FIVE, rules=rules(9)) == 0
    assert curve_start(LATE.clear(), rules=rules()) == 0
    # Two are followed from day 10 on. On day 20 only one is at risk while the group still grows, so it starts there.
    assert curve_start(LATE, rules=rules(2)) == 20
    # With the second followed on, three are at risk at the least before the group is at its largest.
    stays = LATE.with_columns(exit_days=pl.when(pl.col("patient_id") == "p2").then(65).otherwise("exit_days"))
    assert curve_start(stays, rules=rules(2)) == 10
    assert curve_start(stays, rules=rules(3)) == 30
    assert curve_start(stays, rules=rules(5)) is None
    # One tooth that enters at 0 does not make the group one that all enter at 0.
    early = pl.concat([LATE, FIVE.head(1)])
    assert curve_start(early, rules=rules(2)) == 10
    assert curve_start(early, rules=rules(3)) == 20


def test_a_group_by_hand():
    found = group(FIVE, rules(3))
    assert (found.name, found.label, found.crowns, found.patients, found.failures) == ("vital", "Vital", 5, 5, 2)
    assert found.tooth_years == pytest.approx(2300 / 365.25)
    assert found.rate_per_100_tooth_years == pytest.approx(200 * 365.25 / 2300)
    # Patients' failures less the rate times their years: squares add up to the variance of the log rate, by 2 squared.
    surplus = np.array([1, 0, 1, 0, 0]) - np.array([100, 200, 400, 800, 800]) * 2 / 2300
    factor = np.exp(1.959964 * np.sqrt(np.sum(surplus**2)) / 2)
    assert found.rate_ci_low == pytest.approx(found.rate_per_100_tooth_years / factor, rel=1e-6)
    assert found.rate_ci_high == pytest.approx(found.rate_per_100_tooth_years * factor, rel=1e-6)
    assert (found.starts_at_days, found.stops_at_days) == (0, 400)
    assert [(p.days, p.at_risk, p.survival) for p in found.curve] == [
        (0, 5, 1),
        (100, 5, pytest.approx(4 / 5)),
        (400, 3, pytest.approx(8 / 15)),
    ]
    assert (found.curve[0].ci_low, found.curve[0].ci_high) == (1, 1)
    assert 0 < found.curve[1].ci_low < 4 / 5 < found.curve[1].ci_high < 1


def test_a_curve_is_drawn_to_where_it_stops_and_no_further():
    # It stops on day 200, on which nothing fails.
    assert [p.days for p in group(FIVE, rules(4)).curve] == [0, 100, 200]
    assert [p.days for p in group(FIVE, rules(2)).curve] == [0, 100, 400, 800]
    # It stops where it starts.
    assert [p.days for p in group(FIVE, rules(6)).curve] == [0]
    # All fail: at 0 there are no limits, and the point carries its own share.
    last = group(FIVE.with_columns(event=True), rules(1)).curve[-1]
    assert (last.days, last.survival, last.ci_low, last.ci_high) == (800, 0, 0, 0)


def test_milestones_by_hand():
    start, one, two = group(FIVE, rules(3)).milestones
    assert [(m.years, m.entered, m.followed, m.failed, m.ended) for m in (start, one, two)] == [
        (0, 5, 5, 0, 0),
        (1, 5, 3, 1, 1),
        (2, 5, 2, 2, 1),
    ]
    # Nothing has failed at the start: the exact limit of 0 failures among 5, where the chance of none is 2.5 %.
    assert (start.survival, start.ci_high) == (1, 1)
    assert start.ci_low**5 == pytest.approx(0.025)
    curve = kaplan_meier(FIVE["exit_days"], FIVE["event"], cluster=FIVE["patient_id"]).at([365])
    assert (one.survival, one.ci_low, one.ci_high) == pytest.approx((4 / 5, curve.low[0], curve.high[0]))
    # The curve stops on day 400, and says nothing of two years.
    assert (two.survival, two.ci_low, two.ci_high) == (None, None, None)


def test_a_milestone_on_the_day_on_which_the_curve_stops_is_read_off():
    days = {200: 365, 400: 730}
    spells = FIVE.with_columns(pl.col("exit_days").replace(days))
    at = {m.years: m.survival for m in group(spells, rules(3)).milestones}
    assert at == {0: 1, 1: pytest.approx(4 / 5), 2: pytest.approx(8 / 15)}
    at = {m.years: m.survival for m in group(spells, rules(4)).milestones}
    assert at == {0: 1, 1: pytest.approx(4 / 5), 2: None}
    assert [m.survival for m in group(FIVE, rules(2, years=(2, 3))).milestones] == [pytest.approx(8 / 15), None]


def test_a_late_group_is_conditional_on_its_start():
    found = group(LATE, rules(2, years=(0, 20 / 365.25, 50 / 365.25, 1)), late=True)
    # From day 20 on three are followed: one fails on day 50. On day 70 only one is.
    assert (found.starts_at_days, found.stops_at_days) == (20, 60)
    assert [(p.days, p.survival) for p in found.curve] == [
        (20, 1),
        (50, pytest.approx(2 / 3)),
        (60, pytest.approx(2 / 3)),
    ]
    # Before the start there is no share, on it there is; nobody is at risk on day 20 after the second has failed.
    assert [m.survival for m in found.milestones] == [None, 1, pytest.approx(2 / 3), None]
    assert (found.crowns, found.failures) == (5, 4)
    early = group(LATE, rules(1), late=False)
    assert (early.starts_at_days, early.curve[0].days) == (0, 0)


def test_a_late_group_that_stays_too_small_has_no_curve():
    found = group(LATE, rules(4), late=True)
    assert (found.curve, found.starts_at_days, found.stops_at_days) == ((), 0, 0)
    assert found.stop_reason == "too few are followed for a curve"
    assert [(m.survival, m.ci_low, m.ci_high) for m in found.milestones] == [(None, None, None)] * 3
    assert [m.entered for m in found.milestones] == [0, 5, 5]
    assert found.rate_per_100_tooth_years > 0


def test_a_rate_without_failures_has_exact_limits():
    found = group(FIVE.with_columns(event=False), rules())
    assert (found.rate_per_100_tooth_years, found.rate_ci_low) == (0, 0)
    assert found.rate_ci_high == pytest.approx(100 * poisson_limits(0)[1] / found.tooth_years)
    one = group(FIVE.with_columns(patient_id=pl.lit("p1")), rules())
    low, high = poisson_limits(2)
    assert (one.rate_ci_low, one.rate_ci_high) == pytest.approx(
        (100 * low / one.tooth_years, 100 * high / one.tooth_years)
    )
    assert (one.patients, one.crowns) == (1, 5)


def test_a_group_that_is_never_followed_has_neither_rate_nor_curve():
    found = group(FIVE.with_columns(exit_days=pl.lit(0, pl.Int64)), rules())
    assert (found.tooth_years, found.rate_per_100_tooth_years, found.rate_ci_low, found.rate_ci_high) == (0, 0, 0, 0)
    assert (found.curve, found.stops_at_days, found.failures, found.half_years) == ((), 0, 2, ())
    assert found.stop_reason == "too few are followed for a curve"


def test_without_any_failure_limits_are_never_certain():
    one = group(FIVE.with_columns(event=False), rules(2)).milestones[1]
    assert (one.survival, one.ci_high) == (1, 1)
    assert one.ci_low**3 == pytest.approx(0.025)
    # One patient alone leaves nothing to tell an error from, once something has failed.
    alone = group(FIVE.with_columns(patient_id=pl.lit("p1")), rules(2)).milestones[1]
    assert (alone.survival, alone.ci_low, alone.ci_high) == (pytest.approx(4 / 5), None, None)


def test_years_become_whole_days():
    assert [days_of(y) for y in (0, 0.5, 1, 2, 5)] == [0, 183, 365, 730, 1826]
    assert milestone_days(rules(years=(0, 5))).tolist() == [0, 1826]


def test_the_rules_of_curves_are_those_of_the_settings() -> None:
    asked = Analysis(min_at_risk=12, max_step_per_100=4.0, confidence=0.9, horizon_years=4)
    assert asked.curve_rules() == CurveRules(12, 0.04, 0.9, (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0, 15.0))
    assert Analysis(horizon_years=5).curve_rules().years == (0.0, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0)


def test_the_half_years_behind_a_curve_by_hand() -> None:
    two_of_one = FIVE.with_columns(patient_id=pl.Series(["p1", "p1", "p1", "p2", "p3"]))
    one_each, his = (group(rows, rules()).half_years for rows in (FIVE, two_of_one))
    # Days 0, 183, 366, 548 and 731: one leaves on day 200, and failures are on days 100 and 400.
    assert [(h.months, h.followed, h.failed) for h in his] == [(0, 5, 0), (6, 4, 1), (12, 3, 1), (18, 2, 2), (24, 2, 2)]
    assert [[h.failed_patients for h in found] for found in (one_each, his)] == [[0, 1, 1, 2, 2], [0, 1, 1, 1, 1]]
    months = [h.months for h in group(FIVE.with_columns(pl.col("exit_days") * 100), rules()).half_years]
    assert months == list(range(0, LAST_MONTH + 1, 6))
    # Wherever the settings have the curve begin and stop: two enter on day 100, and three more on day 300.
    late = LATE.with_columns(pl.col("entry_days", "exit_days") * 10)
    for need in (1, 3, 9):
        found = group(late, rules(min_at_risk=need), late=True).half_years
        assert found == (HalfYear(0, 0, 0, 0), HalfYear(6, 1, 1, 1), HalfYear(12, 3, 2, 2), HalfYear(18, 2, 3, 3))


def test_patients_of_whom_a_tooth_failed_count_once() -> None:
    two_of_one = FIVE.with_columns(patient_id=pl.Series(["p1", "p1", "p1", "p2", "p3"]))
    assert [group(rows, rules()).failed_patients for rows in (FIVE, two_of_one, LATE)] == [2, 1, 4]
    assert failed_patients(two_of_one, "event") == 1
    assert failed_patients(FIVE.filter(~pl.col("event")), "event") == 0


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("min_at_risk", [2, 3, 4, 6])
def test_a_curve_ends_where_that_of_its_group_does(min_at_risk, late):
    for spells in (FIVE, LATE, LATE.filter(pl.col("entry_days") == 10)):
        asked = rules(min_at_risk)
        assert curve_end(spells, rules=asked, late=late) == (group(spells, asked, late=late).stops_at_days or 0)


def test_a_group_enters_on_day_0_unless_it_is_said_to_be_late():
    asked = rules(2)
    assert (
        curve_end(LATE, rules=asked)
        == curve_end(LATE, rules=asked, late=False)
        != curve_end(LATE, rules=asked, late=True)
    )
    told = make_group(LATE, name="vital", label="Vital", counted=LATE.with_columns(failure="event"), rules=asked)
    assert told == group(LATE, asked, late=False) != group(LATE, asked, late=True)
    assert curve_end(LATE.clear(), rules=asked) == 0
