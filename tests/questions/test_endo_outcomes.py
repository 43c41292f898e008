"""Crowned against not crowned teeth by hand: counts, flow, and what is said where there is too little."""

import dataclasses
import itertools

import polars as pl
import pytest
from test_endo_teeth import COURSES, CROWNS, PATIENTS, TEETH

from pipeline.questions.analysis import Analysis
from pipeline.questions.endo_outcomes import EndoTeeth, compare_delay, compare_teeth, endo_teeth
from pipeline.questions.question import FREE_BY_CROWN, KEPT_BY_CROWN, Question
from pipeline.results import Comparison, from_plain, to_plain

ANALYSIS = Analysis(horizon_years=0.2, min_at_risk=1, max_step_per_100=100.0)


def compared(question: Question = KEPT_BY_CROWN) -> Comparison:
    return compare_teeth(question, endo_teeth(COURSES, TEETH, CROWNS, PATIENTS, outcome=question.outcome), ANALYSIS)


def kept(courses: pl.DataFrame = COURSES) -> EndoTeeth:
    return endo_teeth(courses, TEETH, CROWNS, PATIENTS, outcome=KEPT_BY_CROWN.outcome)


def test_counts_go_by_label_and_time_by_state():
    groups = {g.name: g for g in compared().groups}
    # Crowned while followed: E1, E2, E8, E9; E4's crown came on its last day.
    assert [(g.name, g.crowns, g.failures) for g in groups.values()] == [("crowned", 4, 1), ("not_crowned", 1, 1)]
    assert groups["crowned"].tooth_years == pytest.approx((70 + 50 + 100 + 40) / 365.25)
    assert groups["not_crowned"].tooth_years == pytest.approx((30 + 50 + 100 + 60) / 365.25)


def test_the_flow_adds_up():
    flow = compared().flow
    assert [(step.left, step.removed) for step in flow] == [(9, 0), (8, 1), (7, 1), (5, 2)]
    assert flow[-1].left == sum(g.crowns for g in compared().groups)
    assert all(after.left == before.left - after.removed for before, after in itertools.pairwise(flow))


def test_what_the_reader_must_know_is_in_the_notes():
    notes = " ".join(compared().notes)
    assert "2 teeth that had a crown when the root canal began" in notes
    assert (
        "4 teeth got a crown while followed; days from completion to the seat: median 40, quartiles 22 to 52" in notes
    )
    assert "1 crown from elsewhere, with no seat date" in notes


def test_two_failures_are_too_early_and_say_so():
    found = compared()
    assert (found.id, found.outcome, found.clock) == (
        "tooth_survival_by_crown_after_endo",
        "tooth_loss",
        "since_completion",
    )
    assert found.verdict.code == "too_early"
    assert "1 failure with a crown after the root canal, 1 failure with no crown so far" in found.verdict.result


def test_the_other_outcome_has_its_own_name():
    found = compared(FREE_BY_CROWN)
    assert (found.id, found.outcome) == ("endo_free_of_intervention_by_crown", "endo_failure")
    # Retreated before its crown, E2 now fails without one.
    assert {g.name: (g.crowns, g.failures) for g in found.groups} == {"crowned": (3, 0), "not_crowned": (2, 2)}
    assert any("No failure in group crowned" in note for note in found.notes)
    assert found.estimates == ()


def test_results_survive_storage_and_empty_tables():
    made = (
        compared(),
        compare_teeth(KEPT_BY_CROWN, kept(COURSES.clear()), ANALYSIS),
        compare_delay(kept(), ANALYSIS, landmark_days=55, soon_days=30),
        compare_delay(kept(COURSES.clear()), ANALYSIS),
    )
    for found in made:
        assert from_plain(Comparison, to_plain(found)) == found
    assert made[1].groups == ()
    assert made[1].verdict.code == "too_early"


def test_the_landmark_is_stated():
    found = compare_delay(kept(), ANALYSIS, landmark_days=55, soon_days=30)
    assert [(g.name, g.label, g.crowns) for g in found.groups] == [
        ("crowned_soon", "A crown within 30 days", 2),
        ("crowned_later", "A crown after 31 to 55 days", 1),
        ("not_yet_crowned", "No crown by day 55", 2),
    ]
    assert found.clock == "since_landmark"
    assert found.notes[0].startswith("Counted from day 55 after the root canal,")


def test_row_order_changes_nothing():
    rows = endo_teeth(COURSES[::-1], TEETH[::-1], CROWNS[::-1], PATIENTS, outcome=KEPT_BY_CROWN.outcome)
    turned = compare_teeth(KEPT_BY_CROWN, rows, ANALYSIS)
    assert dataclasses.asdict(turned) == dataclasses.asdict(compared())
