"""Those who left: who they are, the tipping point by hand, and the weighted figure against crowns that nobody left."""

import dataclasses

import numpy as np
import polars as pl
import pytest
from crowns_that_leave import practice
from drawn import frame

from pipeline.practice.tables import FINDINGS
from pipeline.questions.analysis import Analysis
from pipeline.questions.crown_longevity import compare_since_seat
from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.questions.group_ratios import failed_patients_by_state
from pipeline.questions.leaving import leaving_of, turning, with_left
from pipeline.questions.leaving_weights import (
    cut,
    not_weighted,
    stretch_days,
    weigh_for_leaving,
    weighted_fit,
    with_facts,
    with_weighed,
)
from pipeline.questions.verdict import decide
from pipeline.results import Comparison, Difference, Group, Robustness, Verdict
from pipeline.results.leaving import Leaving
from pipeline.stats.few_failures import careful_ratio
from pipeline.stats.tipping import lay_out

NO_FINDINGS = pl.DataFrame(schema=FINDINGS.schema)
# The cut-off is 31 December 2022, day 1095 of the clock of all; who was last seen more than 548 days before has left.
SPELLS = frame("""
    crown_id | patient_id | state  | entry_days | exit_days | event | exit_date  | exit_reason
    A        | p1         | opened | 0          | 400       | false | 2021-02-04 | last_contact
    B        | p2         | opened | 0          | 548       | false | 2021-07-02 | last_contact
    C        | p3         | opened | 0          | 400       | false | 2021-02-04 | death
    D        | p4         | opened | 0          | 400       | true  | 2021-02-04 | failed
    E        | p5         | before | 0          | 1095      | false | 2022-12-31 | cutoff
    # Cut at the opening, and left after it.
    F        | p6         | before | 0          | 100       | false | 2021-02-04 | last_contact
    F        | p6         | opened | 100        | 400       | false | 2021-02-04 | last_contact
""")


def test_who_has_left_for_good():
    found = with_left(SPELLS, unit="crown_id", cutoff=None)
    assert found["left"].to_list() == [True, False, False, False, False, False, True]
    assert found["possible_days"].to_list() == [1095, 548, 400, 400, 1095, 100, 1095]
    assert with_left(SPELLS, unit="crown_id", cutoff=None, away_days=546)["left"].to_list()[1]


def ten_and_forty(difference: Difference) -> tuple[Comparison, pl.DataFrame]:
    """Ten opened crowns as in `test_tipping.py` (three lost on day 20, failures on days 30 and 50), forty others."""
    days = [10, 20, 20, 20, 30, 50, 60, 60, 60, 60]
    why = ["failed", *["last_contact"] * 3, "failed", "failed", *["cutoff"] * 4]
    spells = pl.DataFrame(
        {
            "crown_id": [f"a{i}" for i in range(10)] + [f"b{i}" for i in range(40)],
            "patient_id": [f"a{i}" for i in range(10)] + [f"b{i}" for i in range(40)],
            "state": ["opened"] * 10 + ["before"] * 40,
            "entry_days": [0] * 50,
            "exit_days": days + [60] * 40,
            "exit_reason": why + ["cutoff"] * 40,
        }
    ).with_columns(event=pl.col("exit_reason") == "failed")
    spells = spells.with_columns(exit_date=pl.date(2020, 1, 1) + pl.duration(days="exit_days"))
    groups = tuple(Group(n, n.title(), 9, 9, 9, 9.0, 1.0, 0.5, 2.0) for n in ("opened", "before"))
    verdict = Verdict("cannot_tell", "", "", "", "", "", 5.0)
    made = Comparison("x", "", "", "", "", groups, (), None, difference, verdict, (), (), (), difference.years)
    return made, spells


def test_the_tipping_point_by_hand():
    # The range -9 to 29 includes no difference; 9 more failures of 100 would end that. By then 40 of 100 opened have
    # failed; none of the three lost failing gives 30, all of them failing on day 30 gives 60.
    difference = Difference("opened", "before", 60 / 365.25, 0, 10.0, -9.0, 29.0, "")
    made, spells = ten_and_forty(difference)
    found = leaving_of(made, spells, Analysis(min_failures=5), unit="crown_id", away_days=30)
    assert [(g.group, g.teeth, g.lost) for g in found.lost] == [("opened", 10, 3), ("before", 40, 0)]
    assert found.verdict == "cannot_tell"
    more, fewer = found.tipping
    assert (more.more, more.verdict) == (True, "differs")
    # That ratio takes the opened from 40 to 49 failures of 100.
    curve = lay_out(spells["exit_days"][:10], spells["event"][:10], [0, 1, 1, 1, *[0] * 6], [60] * 10, 60)
    assert curve.n_lost == 3
    at = curve.at(more.ratio)
    assert 100 * (at.failed - curve.at(1).failed) == pytest.approx(9, abs=1e-4)
    assert more.extra_per_100 == pytest.approx(100 * (at.lost_failed - 1 / 3), abs=1e-4)
    # None of the three failing is 10 fewer: the range, -19 to 19, still says nothing.
    assert (fewer.extra_per_100, fewer.verdict) == (None, "")
    assert fewer.most_per_100 == pytest.approx(-100 / 3)


def test_where_it_is_too_early_nothing_can_turn():
    made, spells = ten_and_forty(Difference("opened", "before", 60 / 365.25, 0, 10.0, -9.0, 29.0, ""))
    assert leaving_of(made, spells, Analysis(min_failures=10), unit="crown_id", away_days=30).tipping == ()
    none = dataclasses.replace(made, difference=None)
    assert leaving_of(none, spells, Analysis(), unit="crown_id") is None


@pytest.mark.parametrize(
    ("low", "high", "reach", "expected"),
    [
        (-9, 29, 30, (9, "differs")),
        (-9, 29, -30, (-24, None)),  # -33 to 5: the upper end passes 5; still no telling
        (-9, 29, 8, None),
        (1, 9, -30, (-1, "cannot_tell")),
        (1, 9, 30, None),  # more of what is said
        (-4, 4, 20, (1, "cannot_tell")),
        (-4, 4, 0.5, None),
    ],
)
def test_the_first_shift_that_turns_what_is_said(low, high, reach, expected):
    d = Difference("a", "b", 5.0, 0, (low + high) / 2, low, high, "")

    def said(moved):
        code = decide(moved, (50, 50), smallest=5.0, min_failures=10)
        return code, code == "differs" and moved.per_100 > 0

    found = turning(d, said, reach, smallest=5.0)
    if expected is None or expected[1] is None:
        # From -9 to 29 down to the other side: the range leaves 0 at -29.
        assert found is None or found == (pytest.approx(-29, abs=1e-3), "differs")
    else:
        assert found == (pytest.approx(expected[0], abs=1e-3), expected[1])


def spells_of(crowns: pl.DataFrame, patients: pl.DataFrame) -> pl.DataFrame:
    return state_spells(crown_rows(crowns, patients))


@pytest.fixture(scope="module")
def left_and_stayed():
    analysis = Analysis()
    stayed = compare_since_seat(*practice(1, crowns=1800, leaving=False), analysis)
    crowns, patients = practice(1, crowns=1800, leaving=True)
    main = compare_since_seat(crowns, patients, analysis)
    spells = spells_of(crowns, patients)
    return stayed, main, spells, weigh_for_leaving(spells, NO_FINDINGS, main.difference, analysis)[0]


def ratio_of(c: Comparison) -> float:
    return [e.hazard_ratio for e in c.estimates if e.contrast == "through_crown vs before_seat"][-1]


def test_weights_win_back_what_leaving_for_a_recorded_reason_hides(left_and_stayed):
    stayed, main, _, found = left_and_stayed
    truth, plain = stayed.difference.per_100, main.difference.per_100
    assert truth - plain > 2.5  # those opened whose crowns would have failed left
    assert abs(found.per_100 - truth) < 0.5 * abs(plain - truth)
    assert found.ci_low < truth < found.ci_high
    logs = [np.log(r) for r in (ratio_of(stayed), ratio_of(main), found.hazard_ratio)]
    assert abs(logs[2] - logs[0]) < 0.5 * abs(logs[1] - logs[0])
    assert found.leaves_ratio > 1.5
    assert "an earlier recement or repair of the crown, once it was opened" in found.reasons


@pytest.mark.thorough
def test_the_truth_is_found_again_in_practice_after_practice():
    analysis, off = Analysis(), []
    for seed in range(20, 26):
        stayed = compare_since_seat(*practice(seed, crowns=4000, leaving=False), analysis)
        crowns, patients = practice(seed, crowns=4000, leaving=True)
        main = compare_since_seat(crowns, patients, analysis)
        found, _ = weigh_for_leaving(spells_of(crowns, patients), NO_FINDINGS, main.difference, analysis)
        off.append([figure - stayed.difference.per_100 for figure in (main.difference.per_100, found.per_100)])
    plain, weighted = np.mean(off, axis=0)
    assert plain < -3
    # A tenth of the weights' tail is set back and the last year and a half is not weighted: some of the bias is left.
    assert abs(weighted) < abs(plain) / 2


def test_where_nobody_leaves_for_a_reason_weights_change_little():
    crowns, patients = practice(2, crowns=1500, leaving=False)
    found, why = weigh_for_leaving(spells_of(crowns, patients), NO_FINDINGS, None, Analysis())
    assert found is None
    assert "0 crowns were lost from sight" in why[0]


def test_weights_of_one_give_the_main_model(left_and_stayed):
    _, main, spells, _ = left_and_stayed
    rows = with_facts(with_left(spells, unit="crown_id", cutoff=None), NO_FINDINGS)
    fit, _ = weighted_fit(rows, cut(rows, every=91).with_columns(weight=pl.lit(1.0)), Analysis())
    log = careful_ratio(fit, "through_crown", "before_seat", failed_patients_by_state(spells), confidence=0.95)
    adjusted = [e for e in main.estimates if e.contrast == "through_crown vs before_seat"][-1]
    assert np.exp([log.estimate, log.low, log.high]) == pytest.approx(
        [adjusted.hazard_ratio, adjusted.ci_low, adjusted.ci_high], rel=1e-8
    )


def test_crowns_that_fail_on_the_day_of_the_seat_or_the_next_count_in_the_weighted_model():
    crowns, patients = practice(3, crowns=900, leaving=False)
    number = pl.int_range(pl.len()).over("failure", "endo_timing")
    early = pl.col("failure") & (pl.col("endo_timing") != "through_crown") & (number < 8)
    crowns = crowns.with_columns(
        exit_date=pl.when(early).then(pl.col("seat_date") + pl.duration(days=number % 2)).otherwise("exit_date")
    )
    main, spells = compare_since_seat(crowns, patients, Analysis()), spells_of(crowns, patients)
    rows = with_facts(with_left(spells, unit="crown_id", cutoff=None), NO_FINDINGS)
    fit, _ = weighted_fit(rows, cut(rows, every=91).with_columns(weight=pl.lit(1.0)), Analysis())
    ratio = np.exp(fit.contrast({"through_crown": 1.0, "before_seat": -1.0}).estimate)
    assert ratio == pytest.approx(ratio_of(main), rel=1e-8)


def test_the_model_of_leaving_knows_the_clinician(left_and_stayed):
    _, _, spells, alone = left_and_stayed
    assert "clinician" not in alone.reasons
    shared = spells.with_columns(provider_id=pl.format("x{}", pl.col("patient_id").str.slice(1).cast(pl.Int64) % 2))
    found, _ = weigh_for_leaving(shared, NO_FINDINGS, None, Analysis())
    assert found.reasons == (*alone.reasons, "clinician")


def test_names_and_the_order_of_rows_change_nothing(left_and_stayed):
    _, main, spells, found = left_and_stayed
    mixed = spells.sample(fraction=1, shuffle=True, seed=3).with_columns(
        pl.col("crown_id", "patient_id").str.reverse(), provider_id=pl.lit("y")
    )
    other, _ = weigh_for_leaving(mixed, NO_FINDINGS, main.difference, Analysis())
    for name in ("left", "truncated", "stretches", "reasons"):
        assert getattr(other, name) == getattr(found, name)
    for name in ("per_100", "ci_low", "hazard_ratio", "hr_high", "weight_high", "leaves_ratio"):
        assert getattr(other, name) == pytest.approx(getattr(found, name), rel=1e-7)
    again = leaving_of(main, mixed, Analysis(), unit="crown_id")
    assert again == leaving_of(main, spells, Analysis(), unit="crown_id")


def test_stretches_are_a_quarter_of_a_year_unless_there_are_too_many():
    assert stretch_days(CUTS) == 91
    many = CUTS.with_columns(exit_days=pl.col("entry_days") + 91 * 400_000)
    assert stretch_days(many) == 6 * 91


def test_the_figures_stand_beside_the_main_ones(left_and_stayed):
    _, main, spells, found = left_and_stayed
    honest = dataclasses.replace(main, robustness=None)
    assert with_weighed(honest, spells, NO_FINDINGS, Analysis()) is honest
    assert found.weight_low < 1 < found.weight_high
    assert 0 < found.truncated < found.stretches / 20
    # Without a difference of the main comparison there is none to weigh, and the ratio is the same.
    alone, _ = weigh_for_leaving(spells, NO_FINDINGS, None, Analysis())
    assert (alone.per_100, alone.ci_low, alone.ci_high) == (None, None, None)
    assert alone.hazard_ratio == found.hazard_ratio


@pytest.mark.parametrize(
    ("code", "weighed", "held"),
    [
        ("differs", (7.0, 3.0, 11.0), ""),
        ("differs", (4.0, -1.0, 9.0), "1 fewer to 9 more"),
        ("differs", (-7.0, -11.0, -3.0), "3 to 11 fewer"),
        ("little_difference", (1.0, -1.0, 3.0), ""),
        ("little_difference", (4.0, 1.0, 7.0), "1 to 7 more"),
        ("cannot_tell", (7.0, 3.0, 11.0), ""),
        ("differs", (None, None, None), ""),
    ],
)
def test_what_hangs_on_those_who_left_is_not_claimed(left_and_stayed, code, weighed, held):
    _, _, _, figures = left_and_stayed
    main = Difference("opened", "before", 5.0, 0, 6.0, 2.0, 10.0, "standardised")
    verdict = Verdict(code, "s", "r", "range", "d", "n", smallest_difference_per_100=5.0)
    per_100, low, high = weighed
    found = dataclasses.replace(figures, per_100=per_100, ci_low=low, ci_high=high)
    said = not_weighted(verdict, main, found)
    assert bool(said) == bool(held)
    assert held in said
    claim = {"differs": "a difference,", "little_difference": "a small difference at most,"}
    assert not held or f"pass for {claim[code]}" in said


def test_a_small_difference_that_weights_bear_out_is_claimed(left_and_stayed):
    found = dataclasses.replace(left_and_stayed[3], per_100=0.5, ci_low=0.1, ci_high=0.9)
    verdict = Verdict("differs", "s", "r", "range", "d", "n", smallest_difference_per_100=0.2)
    main = Difference("opened", "before", 5.0, 0, 0.6, 0.2, 1.0, "standardised")
    assert not_weighted(verdict, main, found) == ""
    assert "0 to 1 more" in not_weighted(verdict, dataclasses.replace(main, per_100=-0.6), found)


@pytest.mark.parametrize(("half_width", "held"), [(0.1, True), (None, False)])
def test_the_verdict_is_held_back_where_the_weighted_range_does_not_bear_it_out(left_and_stayed, half_width, held):
    _, main, spells, found = left_and_stayed
    centre = main.difference.per_100
    small = dataclasses.replace(main.difference, ci_low=centre - 0.1, ci_high=centre + 0.1) if half_width else None
    leaving = Leaving(548, (), "little_difference", ())
    claimed = dataclasses.replace(
        main,
        difference=small,
        verdict=Verdict(
            "little_difference", "s", "r", "range", "d", "n", smallest_difference_per_100=abs(centre) + 0.2
        ),
        robustness=Robustness(None, None, None, (), leaving),
    )
    made = with_weighed(claimed, spells, NO_FINDINGS, Analysis())
    assert (made.verdict.code == "cannot_tell") == held
    assert made.robustness.leaving.weighed.hazard_ratio == found.hazard_ratio


CUTS = frame("""
    crown_id | patient_id | tooth_fdi | state | entry_days | exit_days | event | left  | access_days | seat_date  | exit_date  | first_complication_date
    A        | p1         | 16        | vital | 0          | 200       | false | true  | 200         | 2020-01-01 | 2020-07-19 | 2020-01-31
    B        | p1         | 26        | vital | 0          | 150       | true  | false |             | 2020-01-01 | 2020-05-30 |
    C        | p2         | 16        | vital | 120        | 300       | false | false |             | 2020-01-01 | 2020-10-27 |
""")  # noqa: E501


def test_rows_are_cut_where_something_becomes_known():
    findings = pl.DataFrame(
        {"patient_id": ["p2", "p2", "p2"], "tooth_fdi": [16, 16, 26], "symptomatic": [True, None, True]}
    ).with_columns(exam_date=pl.Series(["2020-09-17", "2020-02-01", "2020-08-01"]).str.to_date())
    rows = with_facts(CUTS, findings)
    # Crown B of the same patient fails on day 150; crown A of the same patient never does.
    assert rows["other_lost_day"].to_list() == [150, None, None]
    assert rows["symptoms_day"].to_list() == [None, None, 260]
    columns = ("crown_id", "entry_days", "exit_days", "event", "left", "repaired", "other_lost", "symptoms", "state")
    found = cut(rows, every=100).select(columns)
    expected = frame("""
        crown_id | entry_days | exit_days | event | left  | repaired | other_lost | symptoms | state
        A        | 0          | 30        | false | false | false    | false      | false    | vital
        A        | 30         | 100       | false | false | true     | false      | false    | vital
        A        | 100        | 150       | false | false | true     | false      | false    | vital
        A        | 150        | 200       | false | true  | true     | true       | false    | vital
        B        | 0          | 100       | false | false | false    | false      | false    | vital
        B        | 100        | 150       | true  | false | false    | false      | false    | vital
        C        | 120        | 200       | false | false | false    | false      | false    | vital
        C        | 200        | 260       | false | false | false    | false      | false    | vital
        C        | 260        | 300       | false | false | false    | false      | true     | vital
    """)
    assert found.rows() == expected.rows()
    # For leaving, the last visit is known: opened on that day, and away from the day after.
    last = cut(rows, every=None, past_the_last_visit=True).filter(pl.col("crown_id") == "A").select(columns).rows()[-1]
    assert last == ("A", 200, 201, False, True, True, True, False, "through_crown")
