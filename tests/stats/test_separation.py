import numpy as np
import pytest
from cox_reference import CASES, dataset
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.cox import fit_cox
from pipeline.stats.cox_input import CoxInputError
from pipeline.stats.separation import events_by_level, find_separation


@pytest.mark.parametrize(
    ("data", "name", "sign", "empty"),
    [("sep_zero", "g", -1, 30), ("rare", "rare", -1, 26), ("sep_first", "g", 1, 0)],
)
def test_separated_data_are_recognised(data, name, sign, empty):
    rows = dataset(data)
    found = find_separation(rows.select(name, "x").to_numpy(), rows["t"], rows["e"], names=[name, "x"])
    assert found.found
    assert found.direction == {name: sign}
    assert found.no_events == (((name, 1.0, empty),) if empty else ())


@pytest.mark.parametrize("key", CASES, ids="-".join)
def test_ordinary_data_are_not(key):
    positional, options = CASES[key].arrays()
    found = find_separation(
        *positional, names=options["names"], entry_days=options.get("entry_days"), strata=options.get("strata")
    )
    assert not found.found


def test_events_by_level_counts_two_valued_covariates_only():
    x = np.array([[0, 1.5], [1, 2.5], [1, 3.5], [0, 4.5]])
    got = events_by_level(x, [4, 5, 6, 7], [1, 0, 0, 1], names=["post", "age"])
    assert got.rows() == [("post", 0.0, 2, 2), ("post", 1.0, 2, 0)]


def test_a_combination_separates_where_no_covariate_does():
    # Those who fail have a + b at the top of those at risk: (2,0), then (0,2) of sums 2 against 1, 1 and 0.
    x = [[2, 0], [0, 2], [1, 0], [0, 1], [0, 0]]
    found = find_separation(x, [1, 2, 3, 3, 3], [1, 1, 0, 0, 0], names=["a", "b"])
    assert found.direction == {"a": 1, "b": 1}
    assert found.no_events == ()
    assert not fit_cox(x, [1, 2, 3, 3, 3], [1, 1, 0, 0, 0], names=["a", "b"]).converged


def test_late_entry_decides_who_is_compared():
    # The failure on day 2 (x = 1) is topped by the last row (x = 5) only if that one is there by then.
    x, days, event = [[1], [0], [5], [0]], [2, 4, 9, 9], [1, 0, 1, 0]
    assert not find_separation(x, days, event, names=["x"]).found
    assert find_separation(x, days, event, names=["x"], entry_days=[0, 0, 2, 0]).direction == {"x": 1}


def test_strata_decide_who_is_compared():
    x, days, event = [[1], [0], [5], [0]], [2, 4, 9, 9], [1, 0, 1, 0]
    assert find_separation(x, days, event, names=["x"], strata=[1, 1, 2, 2]).direction == {"x": 1}


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.integers(0, 100_000))
def test_it_says_what_the_fit_finds_out(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(8, 30))
    entry = rng.integers(0, 4, n)
    x = np.column_stack((rng.integers(0, 2, n), rng.integers(0, 3, n)))
    options = {"names": ["a", "b"], "entry_days": entry, "strata": rng.integers(0, 2, n)}
    days, event = entry + rng.integers(1, 8, n), rng.random(n) < 0.3
    try:
        fit = fit_cox(x, days, event, **options)
    except CoxInputError:
        return
    assert find_separation(x, days, event, **options).found == (not fit.converged)
