"""The check within patients by hand: which crowns meet, what is too few, and when it bears the ratio of all out."""

import math

import polars as pl
import pytest

from pipeline.questions.within_patient import bears_out, compare_within_patients
from pipeline.results import Estimate
from pipeline.results.steady import WithinPatient
from pipeline.stats.cox import Contrast

Row = tuple[str, str, int, int, bool]


def pairs(a_first: int, b_first: int, *, day: int = 10) -> list[Row]:
    """Patients with a crown in `a` and one in `b`, one of which fails on a day on which the other stands."""
    rows: list[Row] = []
    for i in range(a_first + b_first):
        first, other = ("a", "b") if i < a_first else ("b", "a")
        rows += [(f"p{i}", first, 0, day, True), (f"p{i}", other, 0, 50, False)]
    return rows


def compared(rows: list[Row], *, states: tuple[str, ...] = ("a", "b")) -> WithinPatient:
    columns = ["patient_id", "state", "entry_days", "exit_days", "event"]
    spells = pl.DataFrame(rows, schema=columns, orient="row")
    return compare_within_patients(spells, ("a", "b"), states, None, confidence=0.95)


def estimate(ratio: float, low: float, high: float) -> Estimate:
    return Estimate("a vs b", "cox", ("age",), (), ratio, low, high, 0.01, "patient_id", 1, 1, 1, 1)


def test_five_failures_that_meet_a_crown_in_the_other_state_are_enough():
    # Of pairs the conditional likelihood gives the ratio of how many failed first.
    found = compared(pairs(3, 2))
    assert found.hazard_ratio == pytest.approx(1.5)
    error = 1.959964 * (1 / 3 + 1 / 2) ** 0.5  # of the log of 3 / 2; each pair is a patient of its own
    assert (found.ci_low, found.ci_high) == pytest.approx((1.5 * math.exp(-error), 1.5 * math.exp(error)), rel=1e-5)
    assert compared(pairs(2, 2)).hazard_ratio is None
    # None failed in the one, or in the other: no ratio, however many there are.
    for rows in (pairs(8, 0), pairs(0, 8)):
        assert compared(rows).hazard_ratio is None
        assert compared(rows).failures == 8


def test_a_failure_on_the_day_of_the_start_meets_the_crowns_that_start_that_day():
    found = compared(pairs(3, 2, day=0))
    assert found.hazard_ratio == pytest.approx(1.5)
    assert (found.patients, found.failures) == (5, 5)


def test_crowns_in_other_states_or_without_time_are_not_asked():
    more = [
        # A third state that is not asked for, and a crown that ended before it began.
        *[(f"p{i}", "c", 0, 5, True) for i in range(5)],
        ("p0", "a", 30, 20, True),
    ]
    assert compared([*pairs(3, 2), *more]) == compared(pairs(3, 2))
    assert compared([*pairs(3, 2), *more], states=("a", "b", "c")).failures == 10


def test_a_failure_counts_only_where_a_crown_in_another_state_is_at_risk_that_day():
    for gone in (
        ("q", "b", 0, 19, False),  # it had left the day before
        ("q", "b", 20, 40, False),  # it comes that day, and is at risk from the next
        ("q", "b", 21, 40, False),
    ):
        found = compared([*pairs(3, 2), ("q", "a", 0, 20, True), ("q", "a", 0, 40, False), gone])
        assert (found.patients, found.failures) == (5, 5)
    found = compared([*pairs(3, 2), ("q", "a", 0, 1, True), ("q", "b", 1, 40, False)])
    assert (found.patients, found.failures) == (5, 5)
    for there in (("q", "b", 0, 20, False), ("q", "b", 19, 40, False)):
        found = compared([*pairs(3, 2), ("q", "a", 0, 20, True), there])
        assert (found.patients, found.failures) == (6, 6)


def test_failures_of_patients_with_crowns_of_one_kind_alone_say_nothing():
    alone = [("q", "b", 0, 10, True), ("q", "b", 0, 50, False)]
    assert compared([*pairs(8, 0), *alone]) == compared(pairs(8, 0))
    assert compared([*pairs(8, 0), *alone]).hazard_ratio is None


def test_a_state_in_which_nothing_fails_stands_with_the_reference():
    beside = [(f"p{i}", "c", 0, 50, False) for i in range(5)]
    as_reference = [(who, "b", *rest) for who, _, *rest in beside]
    found = compared([*pairs(3, 2), *beside], states=("a", "b", "c"))
    assert found.hazard_ratio == pytest.approx(compared([*pairs(3, 2), *as_reference]).hazard_ratio)


@pytest.mark.parametrize(
    ("within", "main", "agrees"),
    [
        # The ratio of all claims something: nearer to it than to none, on the scale of logarithms; halfway is enough.
        (2.0, (4.0, 1.5, 9.0), True),
        (1.9, (4.0, 1.5, 9.0), False),
        (0.8, (4.0, 1.5, 9.0), False),
        (0.6, (0.3, 0.1, 0.9), False),
        (0.5, (0.3, 0.1, 0.9), True),
    ],
)
def test_a_claim_is_borne_out_by_a_ratio_nearer_to_it_than_to_none(within, main, agrees):
    log = math.log(within)
    assert bears_out(Contrast(log, 0.1, log - 0.2, log + 0.2, 0.1), estimate(*main)) == agrees


@pytest.mark.parametrize(("error", "agrees"), [(0.69, True), (math.log(2), True), (0.7, False)])
def test_a_claim_is_borne_out_by_a_ratio_an_error_of_its_own_from_none(error, agrees):
    # The logarithm of 2 is 0.693.
    for side, main in ((1, (3.0, 1.5, 6.0)), (-1, (1 / 3, 1 / 6, 1 / 1.5))):
        log = side * math.log(2)
        within = Contrast(log, error, log - 2 * error, log + 2 * error, 0.3)
        assert bears_out(within, estimate(*main)) == agrees


@pytest.mark.parametrize(
    ("a_first", "main", "agrees", "words"),
    [
        # Of pairs the error of the log ratio is the root of 1 / a + 1 / b: here 0.46, and the logarithm 0.41.
        (12, (1.6, 1.1, 2.2), False, "is too uncertain to bear out the ratio of all patients, 1.6"),
        (12, (4.0, 2.0, 8.0), False, "disagrees with the ratio of all patients, 4.0"),
        (16, (1.6, 1.1, 2.2), True, None),
    ],
)
def test_why_a_claim_is_not_borne_out_is_said(a_first, main, agrees, words):
    columns = ["patient_id", "state", "entry_days", "exit_days", "event"]
    spells = pl.DataFrame(pairs(a_first, 8), schema=columns, orient="row")
    found = compare_within_patients(spells, ("a", "b"), ("a", "b"), estimate(*main), confidence=0.95)
    assert found.agrees is agrees
    assert (words or "patients.") in found.sentence
    assert ("account for it" in found.sentence) is not agrees


@pytest.mark.parametrize(("low", "high", "agrees"), [(0.0, 1.0, True), (-1.0, 0.0, True), (0.1, 1.0, False)])
def test_without_a_claim_the_range_within_patients_must_hold_the_ratio_of_all(low, high, agrees):
    within = Contrast((low + high) / 2, 0.3, low, high, 0.1)
    for ends in ((0.5, 2.0), (1.0, 2.0), (0.5, 1.0)):  # a limit of 1 claims nothing
        assert bears_out(within, estimate(1.0, *ends)) == agrees
