"""Steady and changing ratios by hand: mean years in words, what few failures ask for, the days curves are read at."""

import math
import unittest.mock
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from pipeline.questions.analysis import Analysis
from pipeline.questions.question import SINCE_OPENING, Contrast
from pipeline.questions.steady_ratio import (
    CHANGES_BELOW,
    GRID,
    STEADY_FROM,
    Stretch,
    adjusted_of,
    allowance_of,
    judge_ratio,
    mean_years,
    overall_ratio,
    stand_on,
    told_of,
    windows_of,
)
from pipeline.results import Estimate
from pipeline.results.steady import Steady, SteadyTest
from pipeline.stats.cox import CoxFit, fit_cox
from pipeline.stats.few_failures import NONE, Allowance, degrees_of_freedom
from pipeline.stats.phases import fit_phases
from pipeline.stats.standardise_windows import Windows

OPENED = Contrast("opened", "before", "the opening", ("an opened crown", "a crown treated before"))
ASKED = replace(SINCE_OPENING, contrast=OPENED)
Z = 1.959963984540054
WINDOWS = Windows(
    states=("opened", "before"),
    days=np.array([365, 731]),
    failure=np.array([[0.1, 0.2], [0.05, 0.1]]),
    pull=np.array([[0.03, 0.0], [0.0, 0.04]]),
    mean_days=np.array([600.0, 700.0]),
    mean_pull=np.array([[15.0, 0.0], [0.0, 20.0]]),
    crowns=2,
)


def years_of(windows: Windows, allowance: Allowance = NONE, noun: str = "teeth", kept: str = "in place"):
    return mean_years(
        windows, OPENED, years=2.0, from_days=0, allowance=allowance, confidence=0.95, noun=noun, kept=kept
    )  # fmt: skip


def test_mean_years_in_place_and_their_words():
    found = years_of(WINDOWS)
    # 100 days less, with an error of 25: 49 days to either side.
    assert (found.group, found.reference, found.years, found.from_days) == ("opened", "before", 2.0, 0)
    assert [365.25 * v for v in (found.difference, found.ci_low, found.ci_high)] == pytest.approx(
        [-100, -100 - 25 * Z, -100 + 25 * Z]
    )
    assert found.sentence == (
        "Over the 2.0 years that are compared, a tooth with an opened crown stays in place 3.3 months shorter on "
        "average than one with a crown treated before; the range is 4.9 months shorter to 1.7 months shorter."
    )
    alike = years_of(replace(WINDOWS, mean_days=np.array([701.0, 700.0])), noun="crowns")
    assert alike.sentence.startswith(
        "Over the 2.0 years that are compared, a crown with an opened crown stays in place "
    )
    assert "as long on average as one with" in alike.sentence
    free = years_of(WINDOWS, kept="without further treatment").sentence
    assert "a tooth with an opened crown stays without further treatment 3.3 months shorter" in free
    assert alike.sentence.endswith("the range is 1.6 months shorter to 1.6 months longer.")
    longer = years_of(replace(WINDOWS, mean_days=np.array([749.0, 700.0])))
    assert "1.6 months longer on average than one with" in longer.sentence
    assert longer.sentence.endswith("the range is 0 to 3.2 months longer.")
    for days, said in ((730.4, "1 month longer"), (760.9, "2 months longer"), (669.6, "1 month shorter")):
        assert f" {said} on average" in years_of(replace(WINDOWS, mean_days=np.array([days, 700.0]))).sentence
    # Few failures widen the range; without an error nothing is said.
    wider = years_of(WINDOWS, Allowance(1.5, math.inf))
    assert wider.ci_high - wider.difference == pytest.approx(1.5 * (found.ci_high - found.difference))
    assert years_of(replace(WINDOWS, mean_pull=np.zeros((2, 2)))) is None


def test_the_ratio_on_the_whole_has_the_limits_that_few_failures_ask_for():
    log, error = WINDOWS.log_hazard_ratio("opened", "before")
    found = overall_ratio(WINDOWS, OPENED, Allowance(1.5, math.inf), 0.95)
    assert found == pytest.approx([math.exp(log + side * Z * 1.5 * error) for side in (0, -1, 1)])
    assert overall_ratio(replace(WINDOWS, pull=np.zeros((2, 2))), OPENED, NONE, 0.95) is None


def test_through_phases_the_limits_are_those_of_the_patients_that_carry_the_error():
    phased = replace(WINDOWS, turns=(365,), pull=np.array([[0.03, 0.01, 0.0], [0.0, 0.01, 0.04]]))
    # The pulls on the difference are 0.03, 0 and -0.04.
    carry = (9 + 16) ** 2 / (9**2 + 16**2)
    assert phased.carriers("opened", "before") == pytest.approx(carry)
    assert replace(phased, pull=np.zeros((2, 3))).carriers("opened", "before") == 0
    few = Allowance(1.5, max(carry - 1, 1.0))
    for many in (Allowance(1.5, math.inf), Allowance(1.5, 20.0)):
        assert overall_ratio(phased, OPENED, many, 0.95) == overall_ratio(
            replace(phased, turns=()), OPENED, few, 0.95
        )  # fmt: skip
        assert years_of(phased, many) == years_of(replace(phased, turns=()), few)
        found, wanted = (
            adjusted_of(OPENED, w, a, days=(0, 731), confidence=0.95)
            for w, a in ((phased, many), (replace(phased, turns=()), few))
        )
        assert found == wanted


def small_fit(*, cluster: bool) -> CoxFit:
    """Opened, vital and treated before; of the last seven fail, two patients twice each; of the opened six."""
    state = ["opened"] * 12 + ["vital"] * 10 + ["before"] * 14
    events = {0, 1, 2, 3, 4, 5, 12, 13, 14, 22, 23, 24, 25, 26, 27, 28}
    patient = [*range(22), 100, 100, 101, 101, *range(102, 112)]
    return fit_cox(
        np.array([[s == "opened", s == "vital"] for s in state], dtype=float),
        [i * 11 % 36 * 25 + 30 for i in range(36)],
        [i in events for i in range(36)],
        names=["opened", "vital"],
        entry_days=[-1] * 36,
        cluster=patient if cluster else None,
    )


def test_what_few_failures_ask_for_counts_patients_of_either_group():
    # 7 failures of which 2 and 2 share a patient tell as much as 49 / 11 patients; the vital ones are neither.
    for cluster, of_before in ((True, 49 / 11), (False, 7)):
        found = allowance_of(small_fit(cluster=cluster), OPENED, {"opened", "vital", "unknown"})
        assert found.freedom == pytest.approx(degrees_of_freedom(6, of_before))
    assert found.larger == 1.0
    turned = replace(OPENED, group="before", reference="opened")
    assert allowance_of(small_fit(cluster=True), turned, {"opened", "vital"}).freedom == pytest.approx(
        degrees_of_freedom(49 / 11, 6)
    )


def test_curves_are_read_at_evenly_spread_days_to_the_last():
    fit = small_fit(cluster=True)
    states = {"opened": {"opened": 1.0, "vital": 0.0}, "before": {"opened": 0.0, "vital": 0.0}}
    for length, days in ((GRID, range(1, GRID + 1)), (10 * GRID, range(10, 10 * GRID + 1, 10)), (3, [1, 2, 3])):
        for rows in (np.arange(5), np.arange(36) < 5):
            found = windows_of(
                fit, None, rows, states=states, group="opened", start=0, length=length, min_at_risk=1
            )  # fmt: skip
            assert found.days.tolist() == list(days)
            assert (found.states, found.crowns) == (("opened", "before"), 5)


def test_without_a_fit_the_ratio_stands_as_it_is():
    ratio = Estimate("opened vs before", "cox", (), (), 1.5, 1.1, 2.2, 0.01, "patient_id", 36, 36, 16, 34)
    for given, told in ((ratio, (1.5, 1.1, 2.2)), (None, None)):
        found = stand_on(
            ASKED, None, given, Stretch(np.arange(3), {}, (0, 1826), 5.0), began=np.zeros(3, dtype=int),
            analysis=Analysis(),
        )  # fmt: skip
        assert (found.ratio, found.difference, found.steady, found.changes) == (told, None, None, False)


@pytest.mark.parametrize("steady", [True, False])
def test_a_ratio_over_all_the_years_is_told_where_none_is_taken_as_steady(steady):
    fit = small_fit(cluster=True)
    ratio = Estimate("opened vs before", "cox", ("age",), (), 1.5, 1.1, 2.2, 0.01, "patient_id", 36, 36, 16, 34)
    states = {"opened": {"opened": 1.0, "vital": 0.0}, "before": {"opened": 0.0, "vital": 0.0}}
    with unittest.mock.patch("pipeline.questions.steady_ratio.STEADY_FROM", 0.0 if steady else 1.1):
        found = stand_on(
            ASKED, fit, ratio, Stretch(np.arange(5), states, (0, 730), 2.0), began=np.zeros(36, dtype=int),
            analysis=Analysis(horizon_years=2, min_at_risk=1),
        )  # fmt: skip
    assert found.changes is not steady
    assert found.difference is not None
    assert found.ratio == ((1.5, 1.1, 2.2) if steady else found.steady.overall)
    assert (found.steady.overall is None) is steady


@pytest.mark.parametrize(("p", "said"), [(0.049, False), (0.05, None), (0.086, None), (0.49, None), (0.5, True)])
def test_a_ratio_is_said_to_change_only_where_both_looks_together_say_so(p: float, said: bool | None):
    assert told_of(p) is said


@pytest.mark.parametrize("cluster", [True, False])
def test_the_test_since_the_opening_is_that_of_two_equal_coefficients(cluster: bool):
    fit = small_fit(cluster=cluster)
    found = judge_ratio(fit, OPENED, start=np.zeros(36, dtype=int), confidence=0.95).steady
    *on_clock, wald = found.tests
    assert (wald.term, wald.on, wald.df) == ("opened", "since the opening", 1)
    assert wald.p == pytest.approx(chi2.sf(wald.chi_square, 1))
    halves = fit_phases(small_fit(cluster=cluster), "opened", start=np.zeros(36, dtype=int), cuts=(365,)).fit
    gap, cov = halves.coef[0] - halves.coef[1], halves.cov[:2, :2]
    assert wald.chi_square == pytest.approx(gap**2 / (cov[0, 0] + cov[1, 1] - 2 * cov[0, 1]))
    own = next(t.p for t in on_clock if t.term == "opened")
    # Holm over the two.
    assert found.p == pytest.approx(min(1.0, 2 * min(own, wald.p)))
    assert found.steady is {0: None, 1: True, -1: False}[(found.p >= STEADY_FROM) - (found.p < CHANGES_BELOW)]


def of_phases(first: int, later: int) -> Steady:
    """What is told of opened crowns of which so many fail in their first year, and so many later."""
    opened = [*(20 * i + 10 for i in range(first)), *(20 * i + 400 for i in range(later)), *[900] * 10]
    before = [*(65 * i + 35 for i in range(12)), *[900] * 10]
    fit = fit_cox(
        np.array([[1.0]] * len(opened) + [[0.0]] * len(before)),
        [*opened, *before],
        [day < 900 for day in (*opened, *before)],
        names=["opened"],
        entry_days=[-1] * (len(opened) + len(before)),
    )
    began = np.zeros(len(opened) + len(before), dtype=int)
    return judge_ratio(fit, OPENED, start=began, confidence=0.95).steady


@pytest.mark.parametrize(("first", "later", "given"), [(5, 5, True), (4, 9, False), (9, 4, False)])
def test_a_phase_has_a_ratio_of_its_own_from_five_failures_on(first: int, later: int, given: bool):
    found = of_phases(first, later)
    assert [(p.phase, p.failures) for p in found.phases] == ([("first_year", first), ("later", later)] if given else [])


@pytest.mark.parametrize(("first", "later", "tested"), [(0, 9, False), (9, 0, False), (1, 9, True), (9, 1, True)])
def test_the_first_year_is_held_against_the_others_where_something_failed_in_both(first: int, later: int, tested: bool):
    assert (of_phases(first, later).p is not None) is tested


def test_without_an_answer_of_the_model_or_a_column_of_the_group_nothing_is_tested():
    fit, began = small_fit(cluster=True), np.zeros(36, dtype=int)
    no_answer, no_group = replace(fit, converged=False), replace(fit, names=("other", "vital"))
    for found in (judge_ratio(f, OPENED, start=began, confidence=0.95) for f in (no_answer, no_group)):
        assert (found.steady.steady, found.steady.p, found.steady.tests, found.changing) == (None, None, (), None)
        assert found.steady.sentence.startswith("Too few failures to tell whether the ratio is the same")


@pytest.mark.parametrize(("terms", "p"), [({"vital": 1e-9, "opened": 1e-6}, 2e-6), ({"vital": 1e-9}, None)])
def test_of_the_tests_on_the_clock_of_the_model_that_of_the_group_counts(terms: dict[str, float], p: float | None):
    told = tuple(SteadyTest(term, "clock of the model", 1.0, 1, value) for term, value in terms.items())
    with unittest.mock.patch("pipeline.questions.steady_ratio._on_model_clock", return_value=told):
        found = judge_ratio(small_fit(cluster=True), OPENED, start=np.zeros(36, dtype=int), confidence=0.95).steady
    assert found.tests[:-1] == told
    assert found.p == pytest.approx(found.tests[-1].p if p is None else p)


@pytest.mark.parametrize(
    ("steady", "few", "enough"),
    [
        (True, "The ratio is steady as far as", "The ratio is steady as far as"),
        (None, "Too few failures to tell whether the ratio is", "Whether the ratio changes over time cannot be told: "),
        (
            False,
            "The ratio changes over time: 4 failures in the first year after the opening, 9 later, which are too few ",
            "The ratio changes over time: in the first year after the opening failures came ",
        ),
    ],
)
def test_what_is_said_of_a_ratio_with_too_few_failures_in_a_phase_and_with_enough(steady, few, enough):
    with unittest.mock.patch("pipeline.questions.steady_ratio.told_of", return_value=steady):
        assert of_phases(4, 9).sentence.startswith(few)
        assert of_phases(5, 9).sentence.startswith(enough)


def test_halves_without_an_answer_or_without_a_failure_in_one_tell_nothing():
    fit, began = small_fit(cluster=True), np.zeros(36, dtype=int)
    halves = fit_phases(fit, "opened", start=began, cuts=(365,))
    no_answer = replace(halves, fit=replace(halves.fit, converged=False))
    for broken in (no_answer, replace(halves, failures=(0, 9)), replace(halves, failures=(9, 0))):
        with unittest.mock.patch("pipeline.questions.steady_ratio.fit_phases", return_value=broken):
            found = judge_ratio(fit, OPENED, start=began, confidence=0.95).steady
        assert (found.steady, found.p, found.phases) == (None, None, ())
