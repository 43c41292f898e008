"""A Cox model fitted to rows in parts is the one fitted to all of them, with ties, late entry, strata and clusters."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.cox import CoxEstimate, fit_cox
from pipeline.stats.cox_input import CoxInputError
from pipeline.stats.cox_partitions import CoxPart, fit_cox_parts

NAMES = ("filled", "age")


def as_it_is(part: CoxPart) -> CoxPart:
    return part


def teeth(seed: int, n: int = 300) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(n) < 0.4, rng.integers(0, 40, n), -1)
    filled = rng.integers(0, 2, n)
    return {
        "x": np.column_stack([filled, rng.normal(50, 15, n).round()]),
        "exit_days": np.maximum(entry, 0) + 1 + rng.geometric(0.02 * np.exp(0.5 * filled), n) // 7,
        "event": rng.random(n) < 0.6,
        "entry_days": entry,
        "strata": rng.choice(["Dr A", "Dr B", "Dr C"], n),
        "weights": rng.integers(1, 5, n) / 2,
        "cluster": rng.integers(0, n // 2, n),
    }


def in_parts(rows: dict[str, np.ndarray], n_parts: int) -> list[CoxPart]:
    part = rows["cluster"] % n_parts  # patients are never divided
    return [CoxPart(**{name: column[part == number] for name, column in rows.items()}) for number in range(n_parts)]


def assert_same(one: CoxEstimate, other: CoxEstimate) -> None:
    assert one.converged
    np.testing.assert_allclose(one.coef, other.coef, rtol=1e-9, atol=1e-11)
    np.testing.assert_allclose(one.model_cov, other.model_cov, rtol=1e-9, atol=1e-13)
    np.testing.assert_allclose(one.robust_cov, other.robust_cov, rtol=1e-9, atol=1e-13)
    assert one.loglik == pytest.approx(other.loglik, rel=1e-11)
    assert one.loglik_null == pytest.approx(other.loglik_null, rel=1e-11)
    assert one.score_test.chi_square == pytest.approx(other.score_test.chi_square, rel=1e-9)
    for name in ("n_rows", "n_events", "n_clusters", "diverging", "names"):
        assert getattr(one, name) == getattr(other, name)


@pytest.mark.parametrize("n_parts", [1, 2, 7, *(pytest.param(n, marks=pytest.mark.thorough) for n in (64, 200))])
@pytest.mark.parametrize("ties", ["efron", "breslow"])
@settings(max_examples=5, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_the_number_of_parts_changes_nothing(n_parts, ties, seed):
    rows = teeth(seed)
    wanted = fit_cox(**rows, names=NAMES, ties=ties)
    assert_same(fit_cox_parts(in_parts(rows, n_parts), as_it_is, names=NAMES, ties=ties), wanted)


def test_parts_need_no_more_columns_than_one_machine():
    rows = teeth(4)
    for left_out in (("entry_days",), ("strata", "weights"), ("entry_days", "strata", "weights")):
        fewer = {name: column for name, column in rows.items() if name not in left_out}
        assert_same(fit_cox_parts(in_parts(fewer, 3), as_it_is, names=NAMES), fit_cox(**fewer, names=NAMES))


@pytest.mark.thorough
def test_other_processes_give_the_same():
    rows = teeth(3)
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as executor:
        fit = fit_cox_parts(in_parts(rows, 4), as_it_is, names=NAMES, over=executor.map)
    assert_same(fit, fit_cox(**rows, names=NAMES))


def test_a_contrast_of_parts_is_that_of_all_rows():
    rows = teeth(5)
    one, other = fit_cox(**rows, names=NAMES), fit_cox_parts(in_parts(rows, 3), as_it_is, names=NAMES)
    assert other.hazard_ratio("filled").high == pytest.approx(one.hazard_ratio("filled").high, rel=1e-9)


def test_a_covariate_that_tells_failures_apart_diverges_as_on_one_machine():
    rows = teeth(8)
    rows["x"][:, 0] = rows["event"]
    one, other = fit_cox(**rows, names=NAMES), fit_cox_parts(in_parts(rows, 3), as_it_is, names=NAMES)
    assert one.diverging == other.diverging == ("filled",)
    assert not other.converged


def test_what_one_machine_refuses_is_refused():
    rows = teeth(9)
    with pytest.raises(CoxInputError, match="Constant covariates cannot be estimated: age"):
        fit_cox_parts(in_parts({**rows, "x": rows["x"] * [1, 0]}, 3), as_it_is, names=NAMES)
    with pytest.raises(CoxInputError, match="None of 300 rows has an event"):
        fit_cox_parts(in_parts({**rows, "event": np.zeros(300, bool)}, 3), as_it_is, names=NAMES)
    doubled = {**rows, "x": rows["x"][:, [0, 0]]}
    with pytest.raises(CoxInputError, match="follow from the covariates before them: age"):
        fit_cox_parts(in_parts(doubled, 3), as_it_is, names=NAMES)
    few = {name: column[:2] for name, column in rows.items()} | {"event": np.array([True, True])}
    few |= {"cluster": np.array([0, 1]), "x": np.array([[0.0, 1.0], [1.0, 3.0]])}
    with pytest.raises(CoxInputError, match="too few"):
        fit_cox_parts(in_parts(few, 2), as_it_is, names=NAMES)
