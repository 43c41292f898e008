"""Ratios that change, crowns that wear out and patients who are frail: what is said must hold there too."""

import unittest.mock
from dataclasses import replace

import awkward_hazards
import numpy as np
import polars as pl
import pytest
from awkward_hazards import Awkward, true_difference

from dashboards.words.doubt import beside_sentences, ratio_sentence
from pipeline.questions.crown_after_opening import compare_since_opening
from pipeline.questions.crown_longevity import (
    OPENED,
    STATES,
    Analysis,
    borne_out,
    compare_since_seat,
    estimate_states,
    opened_on,
)
from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.questions.groups import days_of
from pipeline.questions.steady_ratio import changing_model, judge_ratio
from pipeline.questions.verdict import Scales, decide
from pipeline.questions.within_patient import compare_within_patients
from pipeline.results import Difference, Estimate, Verdict
from pipeline.stats.cox import fit_cox
from pipeline.stats.proportional_hazards import proportional_hazards_test

ANALYSIS = Analysis()
HORIZON = days_of(ANALYSIS.horizon_years)
HARM_AT_ONCE = Awkward(first=25, days=120, need=0.04, ten_year_loss=0.3)
WORN_OUT = Awkward(shape=2)
FRAIL = Awkward(frail=1, frail_need=True)


@pytest.fixture(scope="module")
def harmed():
    return awkward_hazards.practice(HARM_AT_ONCE, 4, crowns=3000)


@pytest.fixture(scope="module")
def compared(harmed):
    return compare_since_seat(*harmed, ANALYSIS)


def test_harm_at_once_is_said_as_such_and_the_difference_goes_through_it(harmed, compared):
    steady = compared.steady
    assert steady.steady is False
    assert steady.p < 0.001
    first, later = steady.phases
    assert (first.phase, later.phase) == ("first_year", "later")
    assert first.ci_low > 4
    assert later.ci_low < 1.5 < first.ci_low
    assert f"first year after the opening failures came {first.hazard_ratio:.1f} times as fast" in steady.sentence
    truth = true_difference(HARM_AT_ONCE, compared.difference.from_days, HORIZON)
    assert compared.difference.ci_low < truth < compared.difference.ci_high
    assert "all opened on the day from which the difference counts" in compared.difference.method
    by_one_ratio = compare_since_seat(*harmed, ANALYSIS, checks=False).difference
    assert abs(by_one_ratio.per_100 - truth) > abs(compared.difference.per_100 - truth)
    value, low, high = steady.overall
    assert low < value < first.hazard_ratio
    assert compared.mean_years.difference < 0
    assert compared.mean_years.ci_low < compared.mean_years.difference < compared.mean_years.ci_high
    assert low > 1 or compared.verdict.code != "differs"
    assert high > value


def test_nothing_is_said_of_any_time(compared):
    said = [ratio_sentence(compared), *beside_sentences(compared)]
    assert not any("any time" in text for text in said)
    assert "changes over time" in said[0]
    assert compared.within_patient.sentence in said
    steady = replace(compared, steady=replace(compared.steady, steady=True))
    assert "describes no single year" not in ratio_sentence(steady)


def test_the_area_between_the_curves_is_the_difference_of_mean_years(compared):
    # Opened crowns fail ahead of the others by at most the largest difference, over the years compared.
    span = (HORIZON - compared.difference.from_days) / 365.25
    lost = -compared.mean_years.difference
    assert 0 < lost < span * compared.difference.per_100 / 100 * 1.2
    assert f"{round(12 * lost, 1):g} months shorter" in compared.mean_years.sentence


def without_failures(harmed, gone):
    """The fit and the days of the opening, where opened crowns that failed on days `gone` are left out."""
    spells = state_spells(crown_rows(*harmed))
    kept = spells.filter((pl.col("state") != "through_crown") | ~pl.col("event") | ~gone)
    fit = estimate_states(kept, ANALYSIS)[3]
    return fit, opened_on(fit, kept)


SINCE = pl.col("exit_days") - pl.col("access_days")


@pytest.mark.parametrize(("gone", "empty"), [(SINCE > 365, 2), (SINCE <= 122, 0)])
def test_a_phase_without_failures_has_a_low_ratio_and_a_wide_one(harmed, gone, empty):
    fit, began = without_failures(harmed, gone)
    changing = changing_model(fit, "through_crown", start=began)
    assert changing.turns == (122, 365)
    assert changing.phases.failures[empty] == 0
    own = [i for i in range(3) if i != empty]
    ratio, error = changing.phases.fit.coef[:3], changing.phases.fit.se()[:3]
    assert ratio[empty] < min(ratio[own])
    assert error[empty] > 1.5 * max(error[own])


def test_what_cannot_be_tested_is_not_taken_as_steady(harmed):
    fit, began = without_failures(harmed, SINCE > 365)
    judged = judge_ratio(fit, OPENED, start=began, confidence=0.95)
    assert judged.steady.steady is None
    assert "Too few failures" in judged.steady.sentence
    assert judged.changing is not None
    # No phase at all has anybody at risk to compare with.
    assert changing_model(fit, "through_crown", start=began + 10**6) is None


def test_a_ratio_that_was_tested_and_found_steady_stands(harmed):
    fit, began = without_failures(harmed, SINCE < 0)
    for below, at, steady, said in (
        (1.1, 1.2, False, "changes over time: in the first year"),
        (0.0, 1.1, None, "Whether the ratio changes over time cannot be told: in the first year"),
        (0.0, 0.0, True, "is steady as far as"),
    ):
        with (
            unittest.mock.patch("pipeline.questions.steady_ratio.CHANGES_BELOW", below),
            unittest.mock.patch("pipeline.questions.steady_ratio.STEADY_FROM", at),
        ):
            judged = judge_ratio(fit, OPENED, start=began, confidence=0.95)
        assert judged.steady.steady is steady
        assert said in judged.steady.sentence
        assert (judged.changing is None) is (steady is True)


def test_the_clustered_test_tends_to_the_plain_one_and_sees_copies_as_one():
    rng = np.random.default_rng(3)
    x, days = rng.integers(0, 2, 900).astype(float), rng.integers(1, 800, 900)
    event = rng.random(900) < 0.7
    own = fit_cox(x[:, None], days, event, names=["x"], cluster=np.arange(900))
    plain, robust = (proportional_hazards_test(own, clustered=c)["chi_square"][0] for c in (False, True))
    assert robust == pytest.approx(plain, rel=0.15)
    twice = fit_cox(
        np.tile(x, 2)[:, None], np.tile(days, 2), np.tile(event, 2), names=["x"], cluster=np.tile(np.arange(900), 2),
        ties="breslow",
    )  # fmt: skip
    once = fit_cox(x[:, None], days, event, names=["x"], cluster=np.arange(900), ties="breslow")
    found, wanted = (proportional_hazards_test(f, clustered=True)["chi_square"][0] for f in (twice, once))
    assert found == pytest.approx(wanted, rel=1e-9)
    alone = fit_cox(x[:, None], days, event, names=["x"])
    with pytest.raises(ValueError, match="no clusters"):
        proportional_hazards_test(alone, clustered=True)


def test_worn_out_crowns_differ_by_their_age_and_by_nothing_else():
    crowns, patients = awkward_hazards.practice(WORN_OUT, 11)
    found = compare_since_opening(crowns, patients, ANALYSIS)
    crude, adjusted = found.crude_difference, found.difference
    assert crude.ci_low > 0  # old crowns fail sooner than new ones
    assert adjusted.ci_low < 0 < adjusted.ci_high
    assert found.verdict.code != "differs"
    assert "at equal age" in adjusted.method
    assert any("with new ones" in note for note in found.notes)
    assert found.estimates[0].adjusted_for == ("age of the crown",)


def test_a_crown_last_seen_when_it_was_opened_takes_no_ratio_away():
    crowns, patients = awkward_hazards.practice(WORN_OUT, 11, crowns=1500)
    opened = pl.col("endo_timing") == "through_crown"
    one = opened & (pl.int_range(pl.len()).over("endo_timing") == 0)
    stopped = crowns.with_columns(
        exit_date=pl.when(one).then("access_date").otherwise("exit_date"), failure=pl.col("failure") & ~one
    )
    found, without = (compare_since_opening(c, patients, ANALYSIS) for c in (stopped, stopped.filter(~one)))
    assert found.estimates[-1].hazard_ratio == pytest.approx(without.estimates[-1].hazard_ratio)


def test_a_crude_difference_since_the_opening_claims_nothing(harmed):
    crowns, patients = harmed
    # No crown treated before is followed to the age at which an opened one would be judged.
    late = (pl.col("endo_timing") == "through_crown") & (
        (pl.col("access_date") - pl.col("seat_date")).dt.total_days() < 3000
    )
    short = pl.col("exit_date").clip(upper_bound=pl.col("seat_date") + pl.duration(days=2200))
    is_before = pl.col("endo_timing") == "before_seat"
    cut = crowns.filter(~late).with_columns(
        failure=pl.col("failure") & (~is_before | (pl.col("exit_date") <= short)),
        exit_date=pl.when(is_before).then(short).otherwise("exit_date"),
    )
    found = compare_since_opening(cut, patients, ANALYSIS)
    assert found.difference is None
    assert found.verdict.code == "too_early"


def estimate(ratio, low, high):
    return Estimate("a vs b", "cox", ("age",), (), ratio, low, high, 0.01, "patient_id", 1, 1, 1, 1)


def spells(*rows):
    columns = ["patient_id", "state", "entry_days", "exit_days", "event"]
    return pl.DataFrame(rows, schema=columns, orient="row")


def test_within_patients_only_those_with_both_kinds_tell():
    # Fifty patients: in the first thirty the opened crown fails while the other stands, in twenty the other way round.
    rows = []
    for i in range(50):
        first = i < 30
        rows += [(f"p{i}", "a", 0, 10 if first else 50, first), (f"p{i}", "b", 0, 10 if not first else 50, not first)]
    rows += [("alone", "a", 0, 5, True), ("none", "a", 0, 50, False), ("none", "b", 0, 50, False)]
    found = compare_within_patients(spells(*rows), ("a", "b"), ("a", "b"), estimate(1.6, 1.1, 2.2), confidence=0.95)
    # Conditional likelihood of pairs: the ratio of 30 to 20.
    assert found.hazard_ratio == pytest.approx(1.5)
    assert (found.patients, found.failures) == (50, 50)
    assert found.agrees
    assert "Within the same patients: ratio 1.5" in found.sentence
    far = compare_within_patients(spells(*rows), ("a", "b"), ("a", "b"), estimate(4.0, 2.0, 8.0), confidence=0.95)
    assert far.agrees is False  # 1.5 lies nearer to 1 than to 4 on the scale of logarithms
    assert "disagrees" in far.sentence
    few = compare_within_patients(spells(*rows[:6]), ("a", "b"), ("a", "b"), None, confidence=0.95)
    assert (few.hazard_ratio, few.agrees, few.failures) == (None, None, 3)


def test_what_the_same_patients_deny_is_not_claimed():
    verdict = Verdict("differs", "More.", "r", "The range is 1 to 9 more per 100.", "d", "n", 5.0)
    rows = spells(("p", "a", 0, 5, True), ("p", "b", 0, 5, False))
    none = compare_within_patients(rows, ("a", "b"), ("a", "b"), None, confidence=0.95)
    assert borne_out(verdict, none) is verdict
    denied = replace(none, agrees=False, sentence="Within the same patients: ratio 0.9.")
    found = borne_out(verdict, denied)
    assert found.code == "cannot_tell"
    assert denied.sentence in found.sentence


def test_the_frail_who_are_opened_more_are_not_taken_for_harm():
    crowns, patients = awkward_hazards.practice(FRAIL, 3)
    found = compare_since_seat(crowns, patients, ANALYSIS)
    assert found.difference.ci_low > 0  # what is adjusted for does not tell
    assert found.within_patient.agrees is False
    assert found.verdict.code == "cannot_tell"
    assert "same patients" in found.verdict.sentence
    assert set(STATES) == {g.name for g in found.groups}


@pytest.mark.parametrize(
    ("ratio", "adjusted", "code"),
    [
        ((2.0, 1.01, 4.0), True, "differs"),
        ((2.0, 1.0, 4.0), True, "cannot_tell"),  # the limit itself leaves nothing out: its E-value is 1
        ((0.5, 0.3, 0.9), True, "cannot_tell"),  # the other way
        (None, True, "cannot_tell"),
        ((2.0, 1.5, 4.0), False, "cannot_tell"),
    ],
)
def test_a_difference_must_show_on_both_scales(ratio, adjusted, code):
    d = Difference("a", "b", 5, 0, 10.0, 6.0, 14.0, "m")
    assert decide(d, (20, 20), smallest=5, min_failures=10, scales=Scales(ratio, adjusted)) == code
    narrow = replace(d, per_100=2.0, ci_low=1.0, ci_high=3.0)
    assert decide(narrow, (20, 20), smallest=5, min_failures=10, scales=Scales(ratio, adjusted)) == "little_difference"
