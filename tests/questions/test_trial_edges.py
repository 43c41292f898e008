"""The emulated trial on forty teeth by hand, crude and weighted; and edges beside the cases of `test_hyperemic.py`."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import polars as pl
import pytest
from test_hyperemic import (
    ANY_SIZE,
    NO_COURSES,
    NO_DETAILS,
    PEOPLE,
    SIX,
    SIX_COURSES,
    SIX_TEETH,
    at_end,
    cloned,
    courses_of,
    emulate,
    enter,
    prepared,
)

from pipeline.practice.tables import CROWNS, ENDO_COURSES, PATIENTS, TOOTH_FOLLOWUP
from pipeline.questions.hyperemic import CRUDE
from pipeline.questions.trial_rows import enter_trial
from pipeline.questions.trial_weights import weigh
from pipeline.results import Trial
from pipeline.results.trial_words import CROWN, NEED, TOOTH

SEAT = dt.date(2010, 1, 1)
FORTY = dataclasses.replace(ANY_SIZE, min_failures=1, smallest_difference_per_100=25)
# Z value of 95 %.
Z = 1.959964


def declared(rows: list[dict[str, object]], schema: dict[str, pl.DataType]) -> pl.DataFrame:
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)


def forty_teeth() -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Twenty teeth a strategy, one a patient, all followed for six years but for failures, which lie apart.

    Treated first are 5 women, of whom 2 crowns fail, and 15 men, of whom 2; 2 teeth are lost. Seated vital are 15
    women, of whom 3 crowns fail, and 5 men, of whom 2; 3 teeth are lost; 6 of the crowns that last are opened.
    """
    crowns, courses, teeth, people = [], [], [], []
    for arm, women, failed_women, failed_men, lost, opened in (("F", 5, 2, 2, 2, 0), ("W", 15, 3, 2, 3, 6)):
        for i in range(20):
            who = {"patient_id": f"{arm}{i:02}", "tooth_fdi": 11, "supernumerary": False}
            woman, nth = i < women, i if i < women else i - women
            failed = nth < (failed_women if woman else failed_men)
            end = SEAT + dt.timedelta(200 + 10 * i if failed else 2191)
            access = SEAT + dt.timedelta(1000 + i) if not failed and failed_women <= i < failed_women + opened else None
            crowns.append(
                who
                | {
                    "crown_id": f"C{arm}{i:02}",
                    "crown_kind": "single",
                    "done_elsewhere": False,
                    "order_uncertain": False,
                    "prep_date": SEAT - dt.timedelta(28),
                    "seat_date": SEAT,
                    "entry_date": SEAT,
                    "access_date": access,
                    "exit_date": end,
                    "failure": failed,
                    "failure_cause": "replaced" if failed else None,
                    "endo_timing": "before_seat" if arm == "F" else "through_crown" if access else "vital",
                    "pulp_status_at_prep": "hyperemic",
                }
            )
            if arm == "F":
                done = SEAT - dt.timedelta(20)
                courses.append(
                    who
                    | {
                        "course_id": f"E{i:02}",
                        "started": done,
                        "completed": done,
                        "kind": "initial",
                        "done_elsewhere": False,
                    }
                )
            gone = SEAT + dt.timedelta(1500 + i) if i >= 20 - lost else None
            teeth.append(who | {"followed_to": SEAT + dt.timedelta(2191), "extracted": gone})
            people.append({"patient_id": who["patient_id"], "sex": "female" if woman else "male"})
    return (
        declared(crowns, CROWNS.schema),
        declared(courses, ENDO_COURSES.schema),
        declared(teeth, TOOTH_FOLLOWUP.schema),
        declared(people, PATIENTS.schema),
    )


@pytest.fixture(scope="module")
def trial() -> Trial:
    found = emulate(*forty_teeth(), FORTY, endo_details=NO_DETAILS)
    assert isinstance(found, Trial)
    return found


def test_crude_differences_are_treated_first_less_seated_vital(trial):
    by = dict(trial.differences)
    for outcome, first, wait in ((CROWN, 4, 5), (TOOTH, 2, 3)):
        d = by[outcome + CRUDE]
        p, q = first / 20, wait / 20
        step = 100 * Z * np.sqrt(p * (1 - p) / 20 + q * (1 - q) / 20)
        assert (d.per_100, d.ci_low, d.ci_high) == pytest.approx((-5, -5 - step, -5 + step), rel=1e-6)
        assert (d.group, d.reference, d.from_days, d.years) == ("endo_first", "seat_vital", 0, 5)
        assert d.method.endswith("; not adjusted")
    need = by[NEED + CRUDE]
    # All of those treated first, less 6 of 20.
    assert need.per_100 == pytest.approx(70)
    assert 45 < need.ci_low < 70 < need.ci_high < 95


def test_weighted_differences_by_hand(trial):
    # The chance to be treated first is 1/4 for women and 3/4 for men: the rarer of each arm weigh 2, the others 2/3.
    by = dict(trial.differences)
    first, wait = (2 * 2 + 2 * 2 / 3) / 20, (3 * 2 / 3 + 2 * 2) / 20
    d = by[CROWN]
    assert d.per_100 == pytest.approx(100 * (first - wait), abs=1e-6)
    assert d.ci_low < d.per_100 < d.ci_high
    assert d.method.endswith("; adjusted: weighted by the inverse chance of the strategy received")
    assert at_end(trial, CROWN, "endo_first", adjusted=True).estimate == pytest.approx(first)
    assert at_end(trial, CROWN, "seat_vital", adjusted=True).estimate == pytest.approx(wait)
    # Opened are the women 3 to 8.
    assert by[NEED].per_100 == pytest.approx(100 * (1 - 6 * 2 / 3 / 20), abs=1e-6)
    assert [o.difference for o in trial.outcomes] == [by[CROWN], by[TOOTH], by[NEED]]
    assert all(o.adjusted for o in trial.outcomes)
    [sex] = trial.balance
    # Women are 3/4 of one arm and 1/4 of the other: half a share apart, over the root of 3/16; the weights mend it.
    assert (sex.before, sex.after) == pytest.approx((0.5 / np.sqrt(3 / 16), 0), abs=1e-6)


def test_curves_count_their_events_and_end_at_the_horizon(trial):
    counted = {(c.outcome, c.arm): c.events for c in trial.curves}
    assert counted == {
        (NEED, "seat_vital"): 6,
        (CROWN, "endo_first"): 4,
        (CROWN, "seat_vital"): 5,
        (TOOTH, "endo_first"): 2,
        (TOOTH, "seat_vital"): 3,
    }
    for curve in trial.curves:
        assert [p.years for p in curve.points] == [n / 4 for n in range(21)]
        assert (curve.points[0].estimate, curve.points[0].ci_low, curve.points[0].ci_high) == (0, 0, 0)
        for p in curve.points[1:]:
            assert p.ci_low <= p.estimate < p.ci_high
    last = at_end(trial, CROWN, "endo_first")
    assert (last.years, last.at_risk, last.estimate) == (5, 16, pytest.approx(0.2))
    assert {c.adjusted for c in trial.curves if c.outcome == NEED} == {False}


def test_the_verdict_stands_on_the_weighted_crown_and_counts_the_years_of_records(trial):
    d = dict(trial.differences)[CROWN]
    assert trial.verdict.code == "cannot_tell"
    # The range asks for (half its width / 25) squared times the failures; six years of records have those so far.
    times = ((d.ci_high - d.ci_low) / 2 / 25 * 2.80159 / 1.95996) ** 2  # to find 25 four times in five
    assert (times - 1) * 2191 / 365.25 > 10
    records = f"the records of {int(np.ceil(times))} practices"
    assert trial.verdict.next_step.startswith(f"Not here within 10 years; {records}")
    assert trial.verdict.sentence.startswith("The crown: with a root canal before the seat instead of a vital seat")


def test_without_a_day_of_preparation_it_is_taken_three_weeks_before_the_seat():
    trial = emulate(SIX, SIX_COURSES, SIX_TEETH, PEOPLE, ANY_SIZE, endo_details=NO_DETAILS)
    [about] = [s.why for s in trial.flow if s.step == "Day of the preparation"]
    assert about == "recorded for 0; for 6 taken as 21 days before the seat, the setting lab_days"


def test_a_difference_without_an_error_is_not_given():
    # Nothing fails and nothing is lost, and none is asked for.
    crowns, courses, teeth, people = forty_teeth()
    whole = crowns.with_columns(
        failure=False,
        failure_cause=pl.lit(None, pl.String),
        exit_date=SEAT + dt.timedelta(2191),
        access_date=pl.lit(None, pl.Date),
        endo_timing=pl.when(pl.col("endo_timing") == "before_seat").then("endo_timing").otherwise(pl.lit("vital")),
    )
    kept = teeth.with_columns(extracted=pl.lit(None, pl.Date))
    none_asked = dataclasses.replace(FORTY, min_failures=0)
    trial = emulate(whole, courses, kept, people, none_asked, endo_details=NO_DETAILS)
    assert {o.why_none for o in trial.outcomes if o.outcome in (CROWN, TOOTH)} == {"its error could not be worked out"}
    assert trial.verdict.code == "too_early"


def test_where_a_curve_stops_counts_events_that_compete():
    # One more event would move the curve by 1/6, 1/6, then 5/24 of those left: 21 of 100 is never passed. Counted as
    # follow-up that ended, four left would already be too few.
    asked = dataclasses.replace(ANY_SIZE, max_step_per_100=21)
    trial = emulate(SIX, SIX_COURSES, SIX_TEETH, PEOPLE, asked, endo_details=NO_DETAILS)
    last = at_end(trial, NEED, "seat_vital")
    assert (last.years, last.estimate) == (5, pytest.approx(3 / 8))


def test_a_step_that_took_nothing_gives_no_reason(trial):
    assert [s.step for s in trial.flow if s.why] == ["Day of the preparation"]
    assert [s.why for s in trial.flow if s.why] == ["recorded for all"]
    assert {(s.left, s.removed) for s in trial.flow} == {(40, 0)}


def test_teeth_of_one_patient_are_told_apart():
    # A root canal on tooth 12 is none on tooth 11, and both crowns enter; of two crowns of tooth 11 the first does.
    crowns = prepared(
        """
        crown_id | patient_id | tooth_fdi | endo_timing | seat_date
        C04      | p1         | 11        | vital       | 2020-07-21
        C02      | p1         | 11        | vital       | 2021-07-21
        C03      | p1         | 12        | before_seat | 2020-07-21
        """
    )
    courses = courses_of(
        """
        course_id | patient_id | tooth_fdi | started    | completed
        E01       | p1         | 12        | 2020-07-02 | 2020-07-02
        """
    )
    entered = enter(crowns, courses)
    assert entered.rows.select("crown_id", "arm").rows() == [("C03", "endo_first"), ("C04", "seat_vital")]


def test_of_two_courses_the_earlier_says_when_the_root_canal_was_begun():
    crowns = prepared("crown_id | patient_id | endo_timing\nC01 | again | before_seat\nC02 | both | before_seat")
    courses = courses_of(
        """
        course_id | patient_id | started    | completed  | kind
        # begun before the preparation, and again after it
        E01       | again      | 2020-06-01 |            | initial
        E02       | again      | 2020-07-03 | 2020-07-03 | initial
        # begun after it, done again by the seat: the first is the course, and the repeat speaks of no earlier one
        E03       | both       | 2020-07-03 | 2020-07-03 | initial
        E04       | both       | 2020-07-10 | 2020-07-10 | retreatment
        """
    )
    entered = enter(crowns, courses)
    assert entered.rows.select("patient_id", "course_started").rows() == [("both", dt.date(2020, 7, 3))]


def test_the_practices_own_days_are_the_lower_middle_one():
    lines = "\n".join(f"C{i:02} | p{i} | {'2020-07-07' if i <= 10 else '2020-07-01'} | normal" for i in range(1, 21))
    crowns = prepared(f"crown_id | patient_id | prep_date | pulp_status_at_prep\n{lines}\nC99 | asked | | hyperemic")
    found = enter(crowns)
    assert (found.prep_days.usual, found.prep_days.own, found.prep_days.is_own) == (14, 20, True)
    [about] = [s.why for s in found.flow if s.step == "Day of the preparation"]
    assert about.endswith("taken as 14 days before the seat, the middle of 20 crowns with both days")


@pytest.mark.parametrize(
    ("exit_date", "cause", "renewed", "need"),
    [
        # The seat is on the 21st day after the preparation.
        ("2020-10-29", "replaced", False, (121, 2)),
        ("2020-10-29", None, False, (121, 2)),
        ("2020-10-29", "extracted", False, (121, 3)),
        # A root canal begun on the day on which the crown was renewed is a need of it, with an extraction it is none.
        ("2020-10-29", "replaced", True, (121, 1)),
        ("2020-10-29", "extracted", True, (121, 3)),
        # On the day of the horizon an event counts, past it none does.
        ("2021-02-05", "replaced", False, (220, 2)),
        ("2021-02-06", "replaced", False, (220, 0)),
        ("2021-02-06", "replaced", True, (220, 0)),
        ("2020-07-21", "replaced", False, (21, 2)),
    ],
)
def test_what_ends_the_wait(exit_date, cause, renewed, need):
    crowns = prepared(
        f"crown_id | patient_id | exit_date | failure_cause\nC01 | p1 | {exit_date} | {cause or ''}", failure=True
    )
    done = courses_of(f"course_id | patient_id | started | completed\nE01 | p1 | {exit_date} | {exit_date}")
    rows = enter(crowns, done if renewed else NO_COURSES, horizon_days=220).rows
    assert rows.select("need_days", "need_cause").rows() == [need]
    is_in_time = exit_date != "2021-02-06"
    assert rows["crown_failed"].to_list() == [is_in_time]
    assert rows["given_up"].to_list() == [need[1] == 1]


def test_a_repeat_with_a_new_crown_is_no_crown_given_up_where_the_tooth_was_treated_first():
    crowns = prepared(
        "crown_id | patient_id | exit_date | failure_cause | endo_timing\n"
        "C01 | p1 | 2020-10-29 | replaced | before_seat",
        failure=True,
    )
    courses = courses_of(
        "course_id | patient_id | started | completed | kind\n"
        "E01 | p1 | 2020-07-02 | 2020-07-02 | initial\nE02 | p1 | 2020-10-29 | 2020-10-29 | retreatment"
    )
    rows = enter(crowns, courses).rows
    assert rows.select("arm", "given_up", "vital_days", "vital_cause", "crown_days").rows() == [
        ("endo_first", False, 100, 2, 121)
    ]


def test_an_opening_comes_before_the_failure_that_follows():
    crowns = prepared(
        "crown_id | patient_id | access_date | exit_date | failure_cause\n"
        "C01 | p1 | 2020-08-10 | 2020-10-29 | replaced\nC02 | p2 | | 2020-10-29 |",
    )
    rows = enter(crowns.with_columns(failure=pl.col("patient_id") == "p1")).rows
    assert rows.select("need_days", "need_cause", "crown_days", "crown_failed").rows() == [
        (41, 1, 121, True),
        (121, 0, 121, False),
    ]


def test_the_tooth_is_followed_past_its_crown():
    crowns = prepared("crown_id | patient_id | exit_date\nC01 | p1 | 2020-10-29\nC02 | p2 | 2020-10-29", failure=True)
    teeth = declared(
        [
            {"patient_id": "p1", "tooth_fdi": 11, "supernumerary": False, "followed_to": dt.date(2021, 2, 5)},
            {"patient_id": "p2", "tooth_fdi": 11, "supernumerary": False, "extracted": dt.date(2021, 2, 6)},
        ],
        TOOTH_FOLLOWUP.schema,
    )
    found = enter_trial(
        crowns, NO_COURSES, teeth, PEOPLE, NO_DETAILS, pulp="hyperemic", lab_days=21, horizon_days=221
    ).rows
    assert found.select("tooth_days", "tooth_lost").rows() == [(220, False), (221, True)]
    cut = enter_trial(crowns, NO_COURSES, teeth, PEOPLE, NO_DETAILS, pulp="hyperemic", lab_days=21, horizon_days=220)
    assert cut.rows.select("tooth_days", "tooth_lost").rows() == [(220, False), (220, False)]


NOT_RECORDED = ("tooth_group", "material", "bruxism", "smoker", "provider_id", "pulpal_diagnosis", "apical_diagnosis")


def two_arms(first: list[float], wait: list[float], sex: list[str | None] | None = None) -> pl.DataFrame:
    n = len(first) + len(wait)
    return pl.DataFrame(
        {
            "arm": ["endo_first"] * len(first) + ["seat_vital"] * len(wait),
            "age_at_seat": pl.Series([*first, *wait], dtype=pl.Float64),
            "seat_year": [2020.0] * n,
            "sex": pl.Series(sex or [None] * n, dtype=pl.String),
        }
    ).with_columns(pl.lit(None, pl.String).alias(name) for name in NOT_RECORDED)


AGES = [40.0, 44, 48, 52, 56, 60, 64, 68, 72, 76]


@pytest.mark.parametrize(("first", "wait", "enough"), [(10, 10, True), (9, 10, False), (10, 9, False)])
def test_weights_ask_for_teeth_of_both_arms(first, wait, enough):
    weighted, why = weigh(cloned(two_arms(AGES[:first], [a - 1 for a in AGES[:wait]])), min_teeth=10)
    assert (weighted is not None) is enough
    assert why == (() if enough else ("Not adjusted: an arm has fewer than 10 teeth.",))


def test_there_are_no_weights_without_anything_recorded_nor_with_too_few_teeth_for_it():
    nothing, why = weigh(cloned(two_arms([50.0] * 10, [50.0] * 10)), min_teeth=10)
    assert nothing is None
    assert why[0].endswith("or says nothing of them.")
    # Five teeth of the smaller arm for each column: nine are too few for age and year, and enough for age.
    both = two_arms(AGES, [a - 1 for a in AGES]).with_columns(seat_year=2000 + pl.int_range(pl.len()) % 7)
    assert weigh(cloned(both), min_teeth=9)[0].adjusted_for == ("age at the seat", "year of the seat")
    less = both.filter(pl.int_range(pl.len()) > 0)
    assert weigh(cloned(less), min_teeth=9)[0] is None
    assert weigh(cloned(less.with_columns(seat_year=2000)), min_teeth=9)[0].adjusted_for == ("age at the seat",)


def test_arms_that_one_tooth_makes_certain_are_not_weighted():
    # One tooth treated first lies so far out that its chance is 1 to the last bit: the others know nothing of it.
    far = two_arms([*[a + 8 for a in AGES], 1e6], AGES)
    found, why = weigh(cloned(far), min_teeth=10)
    assert found is None
    assert "without overlap" in why[0]


def test_what_is_said_of_the_weights():
    sex = [*["f"] * 5, *["m"] * 15, *["f"] * 15, *["m"] * 5]
    weighted, _ = weigh(cloned(two_arms([50.0] * 20, [50.0] * 20, sex)), min_teeth=10)
    assert weighted.adjusted_for == ("sex",)
    assert sorted(set(weighted.values.round(6))) == [round(2 / 3, 6), 2]
    # Kish: (sum of weights) squared over the sum of squares, 400 / (5 x 4 + 15 x 4/9).
    assert weighted.notes[0] == (
        "Weights lie between 0.67 and 2.00 (0 were set back to these bounds); weighted, the 20 teeth treated first "
        "tell as much as 15, the 20 seated vital as much as 15."
    )
    assert "Not adjusted for year of the seat (the same in all, or too rare)." in weighted.notes
    assert [row.label for row in weighted.balance] == ["sex: f"]
    assert not any(note.startswith("The arms still differ") for note in weighted.notes)
    # With four women in an arm they are too few to stand alone, and all are one level.
    rare = [*["f"] * 4, *["m"] * 16, *["f"] * 15, *["m"] * 5]
    assert weigh(cloned(two_arms([50.0] * 20, [50.0] * 20, rare)), min_teeth=10)[0] is None
    assert weigh(cloned(two_arms([50.0] * 20, [50.0] * 20, rare[::-1])), min_teeth=10)[0] is None
    assert "Not adjusted for smoking (not recorded)." in weighted.notes
