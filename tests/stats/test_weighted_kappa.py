"""Weighted kappa: by hand in fractions, against two published tables, and for interchangeable readers."""

from fractions import Fraction

import numpy as np
import pytest

from pipeline.stats.clustered import by_steps, weighted_kappa


def pairs(table) -> tuple[np.ndarray, np.ndarray]:
    """The pairs that a square table of counts holds: first readings down, second ones across."""
    counts = np.asarray(table)
    first, second = np.indices(counts.shape)
    return first.ravel().repeat(counts.ravel()), second.ravel().repeat(counts.ravel())


def test_by_hand():
    # Four pairs of 0 to 2: (0, 0), (0, 1), (1, 1), (2, 0). Steps apart: 0, 1, 0, 2, in the mean 3/4.
    # Margins 1/2 1/4 1/4 and 1/2 1/2 0: by chance 1/2 * 1/2 * 1 + 1/4 * 1/2 * 1 + 1/4 * (1/2 * 2 + 1/2 * 1) = 3/4.
    found = weighted_kappa([0, 0, 1, 2], [0, 1, 1, 0], disagreement=by_steps(3))
    assert found.kappa == pytest.approx(0, abs=1e-15)
    # Interchangeable: one margin, 4/8 3/8 1/8. By chance 2 * (4 * 3 * 1 + 4 * 1 * 2 + 3 * 1 * 1) / 64 = 46/64.
    either = weighted_kappa([0, 0, 1, 2], [0, 1, 1, 0], disagreement=by_steps(3), interchangeable=True)
    assert either.kappa == pytest.approx(float(1 - Fraction(3, 4) / Fraction(46, 64)))


def test_error_by_hand():
    # Categories 0 and 1, pairs (0, 0), (0, 1), (1, 1), (1, 1): q = 1/4, e = 1/2 * 3/4 + 1/2 * 1/4 = 1/2, kappa 1/2.
    # Chance of a step: 3/4 after 0, 1/4 after 1; 1/2 before either. So e's pulls are 3/4 + 1/2 - 1 = 1/4, 1/4, and
    # 1/4 + 1/2 - 1 = -1/4 twice; q's are -1/4, 3/4, -1/4, -1/4. Kappa's: -q/e + (1/4) / (1/4) * e's.
    q = [Fraction(-1, 4), Fraction(3, 4), Fraction(-1, 4), Fraction(-1, 4)]
    e = [Fraction(1, 4), Fraction(1, 4), Fraction(-1, 4), Fraction(-1, 4)]
    pulls = [-2 * a + b for a, b in zip(q, e, strict=True)]
    found = weighted_kappa([0, 0, 1, 1], [0, 1, 1, 1], disagreement=by_steps(2))
    assert found.kappa == pytest.approx(1 / 2)
    assert found.std_error**2 == pytest.approx(float(sum(p * p for p in pulls) / 16))
    # The second and the third pair are of one patient.
    grouped = weighted_kappa([0, 0, 1, 1], [0, 1, 1, 1], disagreement=by_steps(2), cluster=["a", "b", "b", "c"])
    assert grouped.std_error**2 == pytest.approx(
        float((pulls[0] ** 2 + (pulls[1] + pulls[2]) ** 2 + pulls[3] ** 2) / 16)
    )
    assert grouped.clusters == 3


def test_cohens_own_example():
    # Cohen J. Psychol Bull 1968;70:213-220, table 1: 200 cases; he gives .492 unweighted and .348 weighted.
    cases = [[88, 14, 18], [10, 40, 10], [2, 6, 12]]
    gravity = [[0, 1, 3], [1, 0, 6], [3, 6, 0]]
    first, second = pairs(cases)
    assert weighted_kappa(first, second, disagreement=1 - np.eye(3)).kappa == pytest.approx(0.492, abs=5e-4)
    assert weighted_kappa(first, second, disagreement=gravity).kappa == pytest.approx(0.348, abs=5e-4)


def test_error_of_fleiss_cohen_and_everitt():
    # Table of Hout, Duncan and Sobel (Sociol Methodol 1987;17:145-184), as printed in Agresti, Categorical Data
    # Analysis, 1990. R's vcd, whose Kappa has the error of Fleiss, Cohen and Everitt and takes equal steps, documents
    # 0.1293 (0.06860) unweighted and 0.2374 (0.07832) weighted.
    first, second = pairs([[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]])
    plain = weighted_kappa(first, second, disagreement=1 - np.eye(4))
    assert (plain.kappa, plain.std_error) == (pytest.approx(0.1293, abs=5e-5), pytest.approx(0.06860, abs=5e-6))
    steps = weighted_kappa(first, second, disagreement=by_steps(4))
    assert (steps.kappa, steps.std_error) == (pytest.approx(0.2374, abs=5e-5), pytest.approx(0.07832, abs=5e-6))


def test_exchanging_interchangeable_readers_changes_nothing():
    rng = np.random.default_rng(4)
    a = rng.integers(0, 5, 60)
    b = np.clip(a + rng.integers(-1, 2, 60), 0, 4)
    swap = rng.random(60) < 0.5
    options = {"disagreement": by_steps(5), "interchangeable": True, "cluster": np.arange(60) // 2}
    one = weighted_kappa(a, b, **options)
    other = weighted_kappa(np.where(swap, b, a), np.where(swap, a, b), **options)
    for name in ("kappa", "std_error", "low", "high"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-12)


def test_where_there_is_nothing_to_go_by():
    alike = weighted_kappa([0, 1, 2], [0, 1, 2], disagreement=by_steps(3))
    assert alike.kappa == 1
    assert np.isnan(alike.low)
    assert np.isnan(weighted_kappa([1, 1], [1, 1], disagreement=by_steps(3)).kappa)
    assert np.isnan(weighted_kappa([0, 1], [0, 2], disagreement=by_steps(3), cluster=["a", "a"]).low)


def test_what_is_refused():
    with pytest.raises(ValueError, match="at least one"):
        weighted_kappa([], [], disagreement=by_steps(3))
    with pytest.raises(ValueError, match="categories"):
        weighted_kappa([0, 3], [0, 1], disagreement=by_steps(3))
