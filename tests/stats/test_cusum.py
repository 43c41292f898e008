"""The risk-adjusted CUSUM: by hand, by likelihood, and its run length by an independent method."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import poisson, weibull_min

from pipeline.stats.cusum import Expectation, cusum, delay, design

# What is expected as good as known.
KNOWN = Expectation(1e7, learns=False)


def markov_run_length(pace: float, ratio: float, threshold: float, *, times: float = 1.0, states: int = 300) -> float:
    """Mean run of the chart as a Markov chain over narrow slices of its value.

    Brook D, Evans DA. An approach to the probability distribution of cusum run length. Biometrika 1972;59:539-549
    (from memory).
    """
    width = threshold / states
    move = np.zeros((states, states))
    for count in range(int(times * pace + 12 * math.sqrt(pace) + 20)):
        chance = poisson.pmf(count, times * pace)
        for state in range(states):
            value = max(0.0, (state + 0.5) * width * (state > 0) + count * math.log(ratio) - (ratio - 1) * pace)
            if value < threshold:
                move[state, min(states - 1, int(value / width))] += chance
    return float(np.linalg.solve(np.eye(states) - move, np.ones(states))[0])


def test_months_worked_by_hand() -> None:
    # log 2 = 0.693: +0.193, +0.886 (two failures: 1.386 - 0.5), then a drop, then a signal at 2 and a new start.
    chart = cusum([1, 2, 0, 3, 0, 1], [0.5] * 6, ratio=2, threshold=2.0)
    log2 = math.log(2)
    first, second = log2 - 0.5, 3 * log2 - 1.0
    fourth = second - 0.5 + 3 * log2 - 0.5
    assert chart.value == pytest.approx([first, second, second - 0.5, fourth, 0.0, log2 - 0.5])
    assert chart.signals == (3,)


def test_a_month_adds_the_likelihood_ratio_of_twice_the_hazard() -> None:
    # Weibull times (shape 1.4), some cut off: log L(2h) - log L(h) of all rows = failures log 2 - summed hazards.
    draw = np.random.default_rng(3)
    once = weibull_min(1.4, scale=10.0)
    twice = weibull_min(1.4, scale=10.0 * 2 ** (-1 / 1.4))
    time, last = once.rvs(60, random_state=draw), draw.uniform(1, 12, 60)
    failed, seen = time <= last, np.minimum(time, last)
    ratio = np.where(failed, twice.logpdf(seen) - once.logpdf(seen), twice.logsf(seen) - once.logsf(seen)).sum()
    hazard = -once.logsf(seen).sum()
    got = cusum([failed.sum()], [hazard], ratio=2, threshold=1e9).value[0]
    assert got == pytest.approx(max(0.0, ratio))
    assert ratio == pytest.approx(failed.sum() * math.log(2) - hazard)


@pytest.mark.parametrize("pace", [0.3, 1.0])
def test_a_known_expectation_signals_as_rarely_as_designed(pace: float) -> None:
    # Signals come at the rate of one over the run length, but for the start from 0.
    found = design([pace] * 240, ratio=2, false_signals=1.0, rests_on=KNOWN, paths=2000)
    assert found.false_signals == pytest.approx(1.0, abs=0.1)
    assert markov_run_length(pace, 2, found.threshold) == pytest.approx(240, rel=0.15)


def test_failures_in_clumps_need_a_higher_threshold() -> None:
    loose = design([0.6] * 240, ratio=2, false_signals=1.0, rests_on=KNOWN)
    strict = design([0.6] * 240, ratio=2, false_signals=1.0, rests_on=KNOWN, dispersion=1.5)
    assert strict.threshold > loose.threshold + 0.3


def test_what_is_learnt_from_few_failures_needs_a_higher_threshold() -> None:
    known = design([1.0] * 240, ratio=2, false_signals=1.0, rests_on=KNOWN)
    unsure = design([1.0] * 240, ratio=2, false_signals=1.0, rests_on=Expectation(25, learns=False))
    learning = design(
        [1.0] * 240, ratio=2, false_signals=1.0, rests_on=Expectation(25, learns=True), year_starts=range(0, 240, 12)
    )
    assert known.threshold < learning.threshold < unsure.threshold


def test_a_doubling_is_noticed_long_before_a_false_signal() -> None:
    threshold = design([1.0] * 240, ratio=2, false_signals=1.0, rests_on=KNOWN).threshold
    quick = delay(1.0, ratio=2, threshold=threshold, rests_on=KNOWN)
    assert 5 < quick < 15
    # A chart that has run does not start from 0, so the change shows a little sooner than by a run from 0.
    assert quick == pytest.approx(markov_run_length(1.0, 2, threshold, times=2), abs=2.0)
    assert delay(1.0, ratio=2, threshold=threshold, rests_on=Expectation(25, learns=False)) > quick


@pytest.mark.parametrize("failures", [30.0, 300.0])
def test_designs_and_delays_are_those_of_charts_counted_one_by_one(failures: float) -> None:
    pace, months = 0.8, 120
    rests_on = Expectation(failures, learns=False)
    found = design([pace] * months, ratio=2, false_signals=0.5, rests_on=rests_on, paths=2000)
    notice = delay(pace, ratio=2, threshold=found.threshold, rests_on=rests_on)
    draw, signals, any_of, delays = np.random.default_rng(12), 0, 0, []
    for _ in range(600):
        known = pace * draw.poisson(failures) / failures
        chart = cusum(draw.poisson(pace, months), [known] * months, ratio=2, threshold=found.threshold)
        signals += len(chart.signals)
        any_of += bool(chart.signals)
        counts = np.concatenate([draw.poisson(pace, 60), draw.poisson(2 * pace, 360)])
        later = [s for s in cusum(counts, [known] * 420, ratio=2, threshold=found.threshold).signals if s >= 60]
        delays.append(later[0] - 59 if later else 360)
    assert signals / 600 == pytest.approx(found.false_signals, abs=0.15)
    assert any_of / 600 == pytest.approx(found.chance_of_any, abs=0.06)
    assert np.mean(delays) == pytest.approx(notice, abs=4 * np.std(delays) / math.sqrt(600))


def test_a_design_needs_a_pace_and_a_direction() -> None:
    with pytest.raises(ValueError, match="expected"):
        design([0.0], ratio=2, false_signals=1.0, rests_on=KNOWN)
    with pytest.raises(ValueError, match="ratio"):
        design([1.0], ratio=1, false_signals=1.0, rests_on=KNOWN)
