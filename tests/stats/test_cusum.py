"""The risk-adjusted CUSUM: by hand, by likelihood, and its run length by an independent method."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import poisson, weibull_min

from pipeline.stats.cusum import BINS, SEED, chance_of_signal, cusum, design_threshold, mean_run_length


def markov_run_length(pace: float, ratio: float, threshold: float, states: int = 600) -> float:
    """Mean run of the chart as a Markov chain over narrow slices of its value.

    Brook D, Evans DA. An approach to the probability distribution of cusum run length. Biometrika 1972;59:539-549
    (from memory).
    """
    width = threshold / states
    move = np.zeros((states, states))
    for count in range(int(pace + 12 * math.sqrt(pace) + 30)):
        chance = poisson.pmf(count, pace)
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


@pytest.mark.parametrize(("pace", "months"), [(0.2, 240), (0.6, 240), (2.0, 120)])
def test_the_false_signal_comes_as_rarely_as_designed(pace: float, months: int) -> None:
    threshold = design_threshold(pace, ratio=2, mean_run=months)
    assert markov_run_length(pace, 2, threshold) == pytest.approx(months, rel=0.12)
    assert mean_run_length(pace, ratio=2, threshold=threshold, seed=77) == pytest.approx(months, rel=0.12)


def test_failures_in_clumps_need_a_higher_threshold() -> None:
    loose = design_threshold(0.6, ratio=2, mean_run=240)
    strict = design_threshold(0.6, ratio=2, mean_run=240, dispersion=1.5)
    assert strict > loose
    assert mean_run_length(0.6, ratio=2, threshold=loose, dispersion=1.5) < 160
    assert mean_run_length(0.6, ratio=2, threshold=strict, dispersion=1.5) == pytest.approx(240, rel=0.12)


def test_a_doubling_is_noticed_long_before_a_false_signal() -> None:
    threshold = design_threshold(1.0, ratio=2, mean_run=240)
    assert mean_run_length(1.0, ratio=2, threshold=threshold, times=2) < 15


def test_the_chance_over_given_months_is_that_of_the_run_length() -> None:
    # A geometric run with mean 240 passes 60 months with chance 1 - (1 - 1/240)^60; the start from 0 makes it rarer.
    threshold = design_threshold(1.0, ratio=2, mean_run=240)
    got = chance_of_signal([1.0] * 60, ratio=2, threshold=threshold)
    assert got == pytest.approx(1 - (1 - 1 / 240) ** 60, abs=0.04)


def test_a_design_needs_a_pace_and_a_direction() -> None:
    with pytest.raises(ValueError, match="pace"):
        design_threshold(0.0, ratio=2, mean_run=240)
    with pytest.raises(ValueError, match="ratio"):
        design_threshold(1.0, ratio=1, mean_run=240)


@pytest.mark.parametrize("dispersion", [1.0, 1.3])
def test_the_design_is_that_of_a_plain_count_month_by_month(dispersion: float) -> None:
    # Every month, each path is counted in the bin of its highest value so far.
    pace, mean_run, paths = 0.8, 70.0, 200
    draw, top = np.random.default_rng(SEED), np.log(mean_run) + 25.0
    at, highest, below = np.zeros(paths), np.zeros(paths), np.zeros(BINS)
    for _ in range(2 * 70):
        if dispersion == 1.0:
            counts = draw.poisson(pace, paths)
        else:
            counts = draw.negative_binomial(pace / (dispersion - 1), 1 / dispersion, paths)
        at = np.maximum(0.0, at + counts * np.log(2) - pace)
        highest = np.maximum(highest, at)
        below += np.bincount((highest / top * BINS).astype(int), minlength=BINS)
    silent = np.cumsum(np.bincount((highest / top * BINS).astype(int), minlength=BINS))
    run = (paths - silent + np.cumsum(below)) / np.maximum(paths - silent, 0.5)
    wanted = (int(np.argmax(run >= mean_run)) + 1) * top / BINS
    assert design_threshold(pace, ratio=2, mean_run=mean_run, dispersion=dispersion, paths=paths) == wanted
