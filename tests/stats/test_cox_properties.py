"""What must not change a Cox fit, on small random data with ties, late entry, strata, weights and clusters."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.cox import CoxFit, fit_cox

NAMES = ["a", "b"]


def teeth(seed: int, n: int = 60) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(n) < 0.4, rng.integers(0, 8, n), 0)
    return {
        "x": np.column_stack([rng.integers(0, 2, n), rng.normal(size=n).round(2)]),
        "exit_days": entry + rng.integers(1, 20, n),
        "event": rng.random(n) < 0.7,
        "entry_days": entry,
        "strata": rng.integers(0, 2, n),
        "weights": rng.integers(1, 5, n) / 2,
        "cluster": rng.integers(0, n // 2, n),
    }


def fit(rows: dict[str, np.ndarray], ties: str = "efron") -> CoxFit:
    result = fit_cox(**rows, names=NAMES, ties=ties)
    assert result.converged
    return result


def pick(rows: dict[str, np.ndarray], index: np.ndarray) -> dict[str, np.ndarray]:
    return {name: column[index] for name, column in rows.items()}


def assert_same(one: CoxFit, other: CoxFit) -> None:
    assert one.coef == pytest.approx(other.coef, abs=1e-9)
    assert one.model_cov == pytest.approx(other.model_cov, rel=1e-8, abs=1e-12)
    assert one.robust_cov == pytest.approx(other.robust_cov, rel=1e-8, abs=1e-12)
    assert one.loglik == pytest.approx(other.loglik, rel=1e-10)


seeds = st.integers(0, 10_000)
both_ties = pytest.mark.parametrize("ties", ["efron", "breslow"])
few = settings(max_examples=25, deadline=None, derandomize=True)


@both_ties
@few
@given(seeds, seeds)
def test_row_order_changes_nothing(ties, seed, shuffle):
    rows = teeth(seed)
    shuffled = pick(rows, np.random.default_rng(shuffle).permutation(60))
    assert_same(fit(shuffled, ties), fit(rows, ties))


@both_ties
@few
@given(seeds)
def test_time_scale_changes_nothing(ties, seed):
    rows = teeth(seed)
    scaled = {**rows, "exit_days": rows["exit_days"] * 7, "entry_days": rows["entry_days"] * 7}
    assert_same(fit(scaled, ties), fit(rows, ties))


@both_ties
@few
@given(seeds)
def test_follow_up_may_be_split_at_any_interior_day(ties, seed):
    rows = teeth(seed)
    long = np.flatnonzero(rows["exit_days"] - rows["entry_days"] > 1)
    middle = (rows["exit_days"][long] + rows["entry_days"][long]) // 2
    earlier = {**pick(rows, long), "exit_days": middle, "event": np.zeros(len(long), bool)}
    later = {**rows, "entry_days": rows["entry_days"].copy()}
    later["entry_days"][long] = middle
    split = {name: np.concatenate([later[name], earlier[name]]) for name in rows}
    assert_same(fit(split, ties), fit(rows, ties))


@few
@given(seeds)
def test_a_row_twice_is_a_row_of_double_weight(seed):
    # Breslow only: Efron thins tied events out one by one, so that two rows are not one heavy row.
    rows = teeth(seed)
    doubled = np.random.default_rng(seed).random(60) < 0.3
    twice = pick(rows, np.concatenate([np.arange(60), np.flatnonzero(doubled)]))
    heavy = {**rows, "weights": np.where(doubled, 2 * rows["weights"], rows["weights"])}
    assert_same(fit(twice, "breslow"), fit(heavy, "breslow"))


@few
@given(seeds)
def test_a_censored_row_twice_is_a_row_of_double_weight_under_efron_too(seed):
    rows = teeth(seed)
    doubled = ~rows["event"]
    twice = pick(rows, np.concatenate([np.arange(60), np.flatnonzero(doubled)]))
    heavy = {**rows, "weights": np.where(doubled, 2 * rows["weights"], rows["weights"])}
    assert_same(fit(twice), fit(heavy))


@few
@given(seeds)
def test_weights_of_one_size_change_the_model_error_only(seed):
    rows = teeth(seed)
    heavy = fit({**rows, "weights": 3 * rows["weights"]})
    plain = fit(rows)
    assert heavy.coef == pytest.approx(plain.coef, abs=1e-9)
    assert heavy.robust_cov == pytest.approx(plain.robust_cov, rel=1e-8, abs=1e-12)
    assert heavy.model_cov == pytest.approx(plain.model_cov / 3, rel=1e-8)


@few
@given(seeds)
def test_rows_never_at_risk_at_an_event_change_nothing(seed):
    rows = teeth(seed)
    last = rows["exit_days"].max()
    idle = {**pick(rows, np.arange(10)), "event": np.zeros(10, bool)}
    idle |= {"entry_days": np.full(10, last), "exit_days": np.full(10, last + 5)}
    more = {name: np.concatenate([rows[name], idle[name]]) for name in rows}
    assert_same(fit(more), fit(rows))


@few
@given(seeds)
def test_names_of_strata_and_clusters_do_not_matter(seed):
    rows = teeth(seed)
    renamed = {**rows, "strata": 7 - 3 * rows["strata"], "cluster": 10**9 - 5 * rows["cluster"]}
    assert_same(fit(renamed), fit(rows))
