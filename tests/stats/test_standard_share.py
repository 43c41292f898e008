"""Standardised shares: by hand in fractions, against R's glm, and the error against leaving out a patient at a time."""

import numpy as np
import polars as pl
import pytest
from r_session import needs_r, run_r

from pipeline.stats.logistic import standard_shares

GROUPS = {"a": None, "b": "b"}


def drawn(n: int = 600, seed: int = 2) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Success, [group b, age], patient: older patients are more often in group b and heal less often."""
    rng = np.random.default_rng(seed)
    patient = rng.integers(0, n // 3, n)
    age = rng.normal(0, 1, n) + rng.normal(0, 1, n // 3)[patient]
    b = rng.random(n) < 1 / (1 + np.exp(-age))
    good = rng.random(n) < 1 / (1 + np.exp(-(0.8 - 0.5 * b - 0.7 * age)))
    return good, np.column_stack([b, age]).astype(float), patient


def test_without_covariates_the_shares_are_the_counts():
    # Group a: 3 of 4 heal. Group b: 1 of 4. One tooth a patient, so the error is the textbook one, times 8/7.
    good = [True, True, True, False, True, False, False, False]
    x = np.array([[0.0]] * 4 + [[1.0]] * 4)
    found = standard_shares(good, x, names=("b",), groups=GROUPS, cluster=np.arange(8))
    assert found.share == pytest.approx([3 / 4, 1 / 4])
    difference = found.difference("b", "a")
    assert difference.difference == pytest.approx(-1 / 2)
    assert difference.std_error**2 == pytest.approx((3 / 16 / 4 + 3 / 16 / 4) * 8 / 7)


def test_with_a_covariate_of_two_levels_it_lies_between_theirs():
    # Old (4 of 12 teeth): 1 of 2 in each group; young: a 3 of 4, b 2 of 4.
    old = np.array([1] * 4 + [0] * 8)
    b = np.array([0, 0, 1, 1] + [0] * 4 + [1] * 4)
    good = np.array([1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 0]).astype(bool)
    found = standard_shares(
        good, np.column_stack([b, old]).astype(float), names=("b", "old"), groups=GROUPS, cluster=np.arange(12)
    )
    # Main effects only: between the two strata's differences of 0 and -1/4, and towards the larger, younger stratum.
    assert -0.25 < found.difference("b", "a").difference < 0


def test_confounding_is_taken_out_and_the_order_of_rows_does_not_matter():
    good, x, patient = drawn(4000)
    found = standard_shares(good, x, names=("b", "age"), groups=GROUPS, cluster=patient).difference("b", "a")
    crude = good[x[:, 0] == 1].mean() - good[x[:, 0] == 0].mean()
    truth = np.mean([1 / (1 + np.exp(-(0.3 - 0.7 * x[:, 1]))) - 1 / (1 + np.exp(-(0.8 - 0.7 * x[:, 1])))])
    assert found.low < truth < found.high
    assert crude < found.low
    mixed = np.random.default_rng(1).permutation(len(good))
    again = standard_shares(good[mixed], x[mixed], names=("b", "age"), groups=GROUPS, cluster=patient[mixed])
    assert again.difference("b", "a").difference == pytest.approx(found.difference, abs=1e-12)


def test_the_error_is_that_of_leaving_out_one_patient_at_a_time():
    good, x, patient = drawn(300, seed=7)
    ask = {"names": ("b", "age"), "groups": GROUPS}
    found = standard_shares(good, x, cluster=patient, **ask).difference("b", "a")
    left = []
    for one in np.unique(patient):
        keep = patient != one
        left.append(standard_shares(good[keep], x[keep], cluster=patient[keep], **ask).difference("b", "a").difference)
    m = len(left)
    jackknife = np.sqrt((m - 1) / m * np.sum((np.array(left) - np.mean(left)) ** 2))
    assert found.std_error == pytest.approx(jackknife, rel=0.05)


def test_groups_told_apart_without_error_give_nothing():
    x = np.array([[0.0]] * 10 + [[1.0]] * 10)
    good = np.array([True] * 10 + [True, False] * 5)
    assert standard_shares(good, x, names=("b",), groups=GROUPS, cluster=np.arange(20)) is None


@needs_r
def test_shares_are_those_of_r(tmp_path):
    good, x, patient = drawn()
    rows = pl.DataFrame({"y": good.astype(int), "b": x[:, 0], "age": x[:, 1]})
    script = """
f <- glm(y ~ b + age, binomial, d, control=glm.control(epsilon=1e-15, maxit=100))
list(a=mean(predict(f, transform(d, b=0), type="response")), b=mean(predict(f, transform(d, b=1), type="response")))
"""
    said = run_r(tmp_path, rows, script)
    found = standard_shares(good, x, names=("b", "age"), groups=GROUPS, cluster=patient)
    assert found.share == pytest.approx([said["a"], said["b"]], abs=1e-10)
