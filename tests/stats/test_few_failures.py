"""Limits where few have failed: degrees of freedom by hand, what they go over into, and limits of a difference."""

import math

import numpy as np
import pytest
from scipy import stats

from pipeline.stats.cox import fit_cox
from pipeline.stats.few_failures import (
    NONE,
    Allowance,
    allow,
    careful_ratio,
    degrees_of_freedom,
    difference_limits,
    failed_in,
    failed_patients,
    pair,
)

Z = 1.959963984540054


@pytest.mark.parametrize(("freedom", "clusters", "left"), [(20, 10, 9), (5, 10, 5), (math.inf, 1.5, 1), (20, 0, 1)])
def test_an_error_is_known_no_better_than_the_clusters_that_carry_it(freedom, clusters, left):
    assert Allowance(1.5, freedom).carried_by(clusters) == Allowance(1.5, left)


@pytest.mark.parametrize(
    ("one", "other", "freedom"),
    [
        (5, 5, 8),  # two equal variances: their degrees of freedom add up, as in a pooled t test
        (5, math.inf, 4),  # one group known for sure: those of the other
        (math.inf, 5, 4),
        (3, 6, (1 / 3 + 1 / 6) ** 2 / (1 / 9 / 2 + 1 / 36 / 5)),
        (1, 40, 1),
        (0, 40, 1),
    ],
)
def test_degrees_of_freedom_by_hand(one, other, freedom):
    assert degrees_of_freedom(one, other) == pytest.approx(freedom)


@pytest.mark.parametrize(
    ("by_patient", "patients"), [([1, 1, 1], 3), ([3], 1), ([2, 2, 2], 3), ([1, 3], 1.6), ([0, 0], 0), ([], 0)]
)
def test_failures_of_one_patient_count_as_one(by_patient, patients):
    assert failed_patients(sum(by_patient), sum(n**2 for n in by_patient)) == pytest.approx(patients)


def test_without_an_allowance_limits_are_normal_and_t_goes_over_into_that():
    assert NONE.quantile(0.95) == pytest.approx(Z)
    assert NONE.p(Z, 1.0) == pytest.approx(0.05)
    assert Allowance(1.0, 1e9).quantile(0.95) == pytest.approx(Z, rel=1e-6)
    few = Allowance(1.2, 4)
    assert few.quantile(0.95) == pytest.approx(stats.t.ppf(0.975, 4))
    assert few.p(-6.0, 2.0) == pytest.approx(2 * stats.t.sf(6 / 2.4, 4))
    assert math.isnan(few.p(1.0, 0.0))
    with pytest.raises(ValueError, match="confidence"):
        few.quantile(1.0)


def drawn(*, twice: bool):
    """Two groups of 60, 12 and 24 fail; with `twice` each tooth has a twin of the same patient that fares alike."""
    rng = np.random.default_rng(5)
    group = np.arange(120) % 2
    exit_days = rng.integers(1, 900, 120)
    event = np.arange(120) < 36
    rows = np.repeat(np.arange(120), 2) if twice else np.arange(120)
    return group[rows][:, None], exit_days[rows], event[rows], rows


def test_the_larger_of_the_two_errors_is_taken():
    for twice in (False, True):
        x, exit_days, event, patient = drawn(twice=twice)
        fit = fit_cox(x, exit_days, event, names=["late"], cluster=patient)
        model, robust = fit.se(robust=False)[0], fit.se()[0]
        failed = {"late": failed_in(fit, "late"), "early": 18.0}
        assert failed["late"] == 18
        found = careful_ratio(fit, "late", "early", failed, confidence=0.95)
        assert found.estimate == fit.coef[0]
        assert found.se == pytest.approx(max(model, robust))
        half = stats.t.ppf(0.975, 34) * max(model, robust)
        assert (found.low, found.high) == pytest.approx((fit.coef[0] - half, fit.coef[0] + half))
        assert found.p == pytest.approx(2 * stats.t.sf(abs(fit.coef[0]) / max(model, robust), 34))
        assert allow(fit, "late", "early", failed).larger == pytest.approx(max(model / robust, 1.0))
        # Twins tell the model that twice as many failed: its error is too small and the robust one stands.
        assert (robust > model) or not twice


def test_a_group_without_a_column_is_the_reference():
    assert pair("a", "b", ("a", "c")) == {"a": 1.0}
    assert pair("b", "a", ("a", "c")) == {"a": -1.0}
    assert pair("a", "c", ("a", "c")) == {"a": 1.0, "c": -1.0}


def test_limits_of_a_difference_are_those_of_the_two_shares_put_together():
    shares, errors = np.array([0.10, 0.04]), np.array([0.03, 0.01])
    log = np.log(-np.log1p(-shares))
    step = Z * errors / ((1 - shares) * -np.log1p(-shares))
    low, high = 1 - np.exp(-np.exp(log - step)), 1 - np.exp(-np.exp(log + step))
    cov = np.diag(errors**2)
    found = difference_limits(shares, cov, NONE, confidence=0.95)
    assert found == pytest.approx(
        (0.06 - np.hypot(0.10 - low[0], high[1] - 0.04), 0.06 + np.hypot(high[0] - 0.10, 0.04 - low[1]))
    )
    # More room above, where the shares can go, than below.
    assert found[1] - 0.06 > 0.06 - found[0]
    # Turned round, the limits change places.
    other = difference_limits(shares[::-1], cov[::-1, ::-1], NONE, confidence=0.95)
    assert other == pytest.approx((-found[1], -found[0]))
    # Shares that move together differ by less; a larger error and t make it wider.
    together = cov + np.array([[0, 1], [1, 0]]) * 0.8 * errors.prod()
    closer = difference_limits(shares, together, NONE, confidence=0.95)
    assert found[0] < closer[0] < closer[1] < found[1]
    wider = difference_limits(shares, cov, Allowance(1.1, 8), confidence=0.95)
    assert wider[0] < found[0] < found[1] < wider[1]


def test_with_small_errors_the_limits_are_the_normal_ones():
    shares, cov = np.array([0.3, 0.2]), 1e-8 * np.array([[4.0, 1.0], [1.0, 2.0]])
    half = Z * 1e-4 * math.sqrt(4 + 2 - 2)
    assert difference_limits(shares, cov, NONE, confidence=0.95) == pytest.approx((0.1 - half, 0.1 + half), abs=1e-7)


def test_a_share_of_none_has_plain_limits():
    low, high = difference_limits(np.array([0.0, 0.1]), np.diag([0.01**2, 0.0]), NONE, confidence=0.95)
    assert (low, high) == pytest.approx((-0.1 - Z * 0.01, -0.1 + Z * 0.01))
