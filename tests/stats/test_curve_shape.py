"""Tests on a spline: the same as in another form of the same curve, right on a line, and on a bent curve."""

import numpy as np
import pytest
from scipy import linalg

from pipeline.stats.cox import fit_cox
from pipeline.stats.splines import natural_spline, shape_tests

KNOTS = np.array([0.5, 2.0, 4.0, 7.0])
NAMES = ("s1", "s2", "s3")


def drawn(log_hazard, *, seed: int = 1, n: int = 4000):
    rng = np.random.default_rng(seed)
    dose = rng.uniform(0, 8, n)
    fails = rng.exponential(2000 / np.exp(log_hazard(dose)))
    days = np.minimum(fails, 1500).astype(int) + 1
    return dose, days, fails <= 1500, rng.integers(0, n // 2, n)


def judged(dose, days, event, patient):
    fit = fit_cox(natural_spline(dose, knots=KNOTS), days, event, names=NAMES, cluster=patient)
    return shape_tests(fit, NAMES, knots=KNOTS)


def test_bend_equals_the_test_of_harrells_cubes():
    """The same curve written as a line and two restricted cubes: the Wald test of the cubes must be the same."""
    dose, days, event, patient = drawn(lambda d: 0.15 * d - 0.02 * d**2)
    cubes = [np.maximum(dose - k, 0) ** 3 for k in KNOTS]
    ends = KNOTS[-1] - KNOTS[-2]
    form = [
        cubes[j] - cubes[-2] * (KNOTS[-1] - KNOTS[j]) / ends + cubes[-1] * (KNOTS[-2] - KNOTS[j]) / ends for j in (0, 1)
    ]
    other = fit_cox(
        np.column_stack([dose, *(c / 100 for c in form)]), days, event, names=("d", "c1", "c2"), cluster=patient
    )
    by_hand = float(other.coef[1:] @ linalg.solve(other.cov[1:, 1:], other.coef[1:]))
    assert judged(dose, days, event, patient).bend.chi_square == pytest.approx(by_hand, rel=1e-5)


def test_a_line_is_an_effect_and_does_not_bend():
    found = judged(*drawn(lambda d: 0.2 * d))
    assert found.any_effect.p < 1e-6
    assert found.bend.p > 0.05


def test_a_bent_curve_bends():
    found = judged(*drawn(lambda d: -0.9 * np.minimum(d, 3) / 3))
    assert found.any_effect.p < 1e-6
    assert found.bend.p < 0.01


def test_no_effect_is_found_as_often_as_said():
    found = [judged(*drawn(lambda d: 0 * d, seed=s, n=600)) for s in range(100)]
    # At 5 % each, more than 11 of 100 come up once in 250 runs.
    assert sum(f.any_effect.p < 0.05 for f in found) <= 11
    assert sum(f.bend.p < 0.05 for f in found) <= 11


def test_one_column_cannot_bend():
    dose, days, event, patient = drawn(lambda d: 0.2 * d)
    knots = [0.0, 8.0]
    fit = fit_cox(natural_spline(dose, knots=knots), days, event, names=("s",), cluster=patient)
    found = shape_tests(fit, ("s",), knots=knots)
    assert found.bend is None
    assert found.any_effect.df == 1
