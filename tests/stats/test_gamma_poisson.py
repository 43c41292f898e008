"""Rates drawn towards one another: a published example, another program's optimum, a sum by hand, and known truths."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import nbinom

from pipeline.stats.gamma_poisson import log_marginal, shrink, uniform_shrinkage

# Failures and thousands of hours of ten pumps: George EI, Makov UE, Smith AFM. Conjugate likelihood distributions.
# Scand J Stat 1993;20:147-156. The posterior means and 2.5 % and 97.5 % points are those printed, from 7,500 draws, in
# the documentation of Mamba.jl (doc/examples/pumps.rst) for a ~ gamma(1, 1) and b ~ gamma(0.1, 1).
PUMPS = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
HOURS = [94.3, 15.7, 62.9, 126.0, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5]
PRINTED = [
    (0.0597276, 0.0210364, 0.117973), (0.0997635, 0.00770316, 0.296096), (0.0889841, 0.0309151, 0.178913),
    (0.116179, 0.0635652, 0.182949), (0.603654, 0.14817, 1.38092), (0.608916, 0.366678, 0.915158),
    (0.894307, 0.0781523, 2.6892), (0.884304, 0.0734788, 2.72981), (1.56235, 0.462534, 3.35956),
    (1.98785, 1.23458, 2.90776),
]  # fmt: skip
# Cases of lip cancer in 56 districts of Scotland, and those expected: Clayton and Kaldor 1987, as listed in the data
# sets of the University of Iowa (lip-cancer.txt, from the R package gcmr).
LIPS = [
    9, 39, 11, 9, 15, 8, 26, 7, 6, 20, 13, 5, 3, 8, 17, 9, 2, 7, 9, 7, 16, 31, 11, 7, 19, 15, 7, 10, 16, 11, 5, 3, 7, 8,
    11, 9, 11, 8, 6, 4, 10, 8, 2, 6, 19, 3, 2, 3, 28, 6, 1, 1, 1, 1, 0, 0,
]  # fmt: skip
LIPS_EXPECTED = [
    1.4, 8.7, 3.0, 2.5, 4.3, 2.4, 8.1, 2.3, 2.0, 6.6, 4.4, 1.8, 1.1, 3.3, 7.8, 4.6, 1.1, 4.2, 5.5, 4.4, 10.5, 22.7, 8.8,
    5.6, 15.5, 12.5, 6.0, 9.0, 14.4, 10.2, 4.8, 2.9, 7.0, 8.5, 12.3, 10.1, 12.7, 9.4, 7.2, 5.3, 18.8, 15.8, 4.3, 14.6,
    50.7, 8.2, 5.6, 9.3, 88.7, 19.6, 3.4, 3.6, 5.7, 7.0, 4.2, 1.8,
]  # fmt: skip


def pump_prior(shape: np.ndarray, rate: np.ndarray) -> np.ndarray:
    return -shape - 0.9 * np.log(rate) - rate


def test_the_published_pumps() -> None:
    found = shrink(PUMPS, HOURS, prior=pump_prior)
    for got, printed in zip(zip(found.mean, found.low, found.high, strict=True), PRINTED, strict=True):
        # The printed means have errors of up to 3 in 100 from their draws (MCSE 0.030 of 0.894); outer points more.
        assert got[0] == pytest.approx(printed[0], rel=0.03)
        assert got[1] == pytest.approx(printed[1], rel=0.07, abs=0.001)
        assert got[2] == pytest.approx(printed[2], rel=0.05)


def test_the_likelihood_of_the_lip_cancer_counts_is_greatest_where_r_finds_it() -> None:
    # R 4.2.2, optim (BFGS, reltol 1e-15) on dnbinom: shape 1.87949, rate 1.321667.
    at = log_marginal(LIPS, LIPS_EXPECTED, 1.87949, 1.321667)
    for shape, rate in ((1.87, 1.321667), (1.89, 1.321667), (1.87949, 1.31), (1.87949, 1.33)):
        assert log_marginal(LIPS, LIPS_EXPECTED, shape, rate) < at
    counts, mean = np.array(LIPS), np.array(LIPS_EXPECTED) / 1.321667
    by_scipy = nbinom.logpmf(counts, 1.87949, 1 / (1 + mean)).sum()
    assert at == pytest.approx(by_scipy)
    best = minimize(lambda p: -log_marginal(LIPS, LIPS_EXPECTED, *np.exp(p)), [0.0, 0.0], method="Nelder-Mead",
                    options={"xatol": 1e-8, "fatol": 1e-10})  # fmt: skip
    assert np.exp(best.x) == pytest.approx([1.87949, 1.321667], rel=1e-4)


def test_with_many_groups_the_average_over_shapes_is_near_the_best_shape() -> None:
    # R's estimates with its best shape and rate put in: (count + 1.87949) / (expected + 1.321667).
    found = shrink(LIPS, LIPS_EXPECTED, prior=uniform_shrinkage(LIPS_EXPECTED, LIPS))
    for place, by_r in ((0, 3.997362), (1, 4.079111), (2, 2.980213), (48, 0.331914), (54, 0.340385), (55, 0.602079)):
        assert found.mean[place] == pytest.approx(by_r, rel=0.03)


def test_what_was_hardly_watched_is_drawn_to_the_mean_and_nobody_beyond_it() -> None:
    at, counts = [1.0, 190.0, 100.0, 100.0], [2, 200, 100, 95]
    found = shrink(counts, at, prior=uniform_shrinkage(at, counts), beside=~np.eye(4, dtype=bool))
    assert 1.0 < found.mean[0] < 1.35
    assert found.low[0] < 1 < found.high[0]
    assert found.high[0] - found.low[0] > found.high[1] - found.low[1]


def test_the_order_of_the_groups_changes_nothing() -> None:
    counts, at = np.array([4, 30, 11]), np.array([7.0, 22.0, 12.0])
    found = shrink(counts, at, prior=uniform_shrinkage(at, counts))
    turned = shrink(counts[::-1], at[::-1], prior=uniform_shrinkage(at, counts))
    assert turned.mean[::-1] == pytest.approx(found.mean, rel=1e-9)
    assert turned.high[::-1] == pytest.approx(found.high, rel=1e-6)


@pytest.mark.parametrize(
    ("groups", "draws", "low"),
    [(8, 80, 0.88), *(pytest.param(n, 800, 0.93, marks=pytest.mark.thorough) for n in (2, 8))],
)
def test_ranges_hold_rates_drawn_as_the_model_says(groups: int, draws: int, low: float) -> None:
    # The truth is drawn from the prior itself, so the ranges hold it 95 times of 100 but for the error of the draws.
    draw, at, inside, runs = np.random.default_rng(5), np.linspace(20, 60, groups), 0, draws // groups
    middle, beside = float(np.median(at)), ~np.eye(groups, dtype=bool)
    for _ in range(runs):
        share = draw.uniform()
        shape = middle * share / (1 - share)
        rates = draw.gamma(shape, 1 / shape, groups)
        counts = draw.poisson(rates * at)
        if counts.sum() == 0:
            inside += groups
            continue
        found = shrink(counts, at, prior=uniform_shrinkage(at, at), beside=beside)
        truth = rates / ((beside * at) @ rates / (beside * at).sum(axis=1))
        inside += int(((found.low <= truth) & (truth <= found.high)).sum())
    assert low < inside / (runs * groups) <= (1.0 if draws < 100 else 0.97)


def test_nothing_seen_is_refused() -> None:
    with pytest.raises(ValueError, match="observed"):
        shrink([0, 0], [1.0, 2.0], prior=uniform_shrinkage([1, 2], [1, 1]))
