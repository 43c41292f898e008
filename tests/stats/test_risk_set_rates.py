"""Rates, tables under a curve, first days and differences from merged counts are those of all rows at once."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from risk_set_rows import teeth

from pipeline.stats.differences import Group, survival_difference
from pipeline.stats.kaplan_meier import first_day_with
from pipeline.stats.rates import failure_rate
from pipeline.stats.risk_set_errors import add_squares, difference_squares, survival_difference_from
from pipeline.stats.risk_set_rates import rate_from, rate_sums
from pipeline.stats.risk_sets import count_changes, first_day_from, merge, risk_table_from
from pipeline.stats.risk_table import risk_table

few = settings(max_examples=15, deadline=None, derandomize=True)
seeds = st.integers(0, 10_000)
parts = pytest.mark.parametrize("n_parts", [1, 2, 7, pytest.param(64, marks=pytest.mark.thorough)])


def divided(rows: pl.DataFrame, n_parts: int) -> list[pl.DataFrame]:
    return [rows.filter(pl.col("patient") % n_parts == number) for number in range(n_parts)]


def merged(rows: list[pl.DataFrame]) -> pl.DataFrame:
    return merge(count_changes(p["exit"], p["event"], entry_days=p["entry"], group=p["group"]) for p in rows)


def test_a_rate_by_hand():
    # Two patients with a failure each, in 1096 and in 365 days: 2 in 4 years, of which 2 * 1096 / 1461 were expected
    # in the first patient.
    rows = pl.DataFrame({"exit": [1096, 0, 365], "event": [1, 0, 1], "patient": [1, 1, 2], "group": "a"})
    sums = rate_sums(rows["exit"], rows["event"], rows["group"], cluster=rows["patient"])
    assert sums.rows() == [("a", 2, 1461, 2, 2, 1096 + 365, 1096**2 + 365**2)]
    rate = rate_from([sums], group="a")
    assert rate.per_100 == pytest.approx(50)
    surplus = 1 - 2 * 1096 / 1461  # of the one patient, and as much less of the other
    factor = np.exp(1.959964 * np.sqrt(2 * surplus**2) / 2)
    assert (rate.clustered_low, rate.clustered_high) == pytest.approx((50 / factor, 50 * factor), rel=1e-6)


@parts
@few
@given(seeds)
def test_a_rate_from_parts_is_that_of_all_rows(n_parts, seed):
    rows = teeth(seed)
    sums = [
        rate_sums(p["exit"], p["event"], p["group"], cluster=p["patient"], entry_days=p["entry"])
        for p in divided(rows, n_parts)
    ]
    mine = rows.filter(pl.col("group") == "b")
    wanted = failure_rate(mine["exit"], mine["event"], entry_days=mine["entry"], cluster=mine["patient"])
    assert vars(rate_from(sums, group="b")) == pytest.approx(vars(wanted), rel=1e-12)


def test_a_group_without_rows_has_no_rate():
    rate = rate_from([], group="a")
    assert (rate.failures, rate.tooth_years, rate.n_units) == (0, 0, 0)
    assert np.isnan([rate.per_100, rate.low, rate.clustered_low]).all()


@pytest.mark.parametrize(("patients", "events"), [([1, 1], [1, 0]), ([1, 2], [0, 0])])
def test_limits_between_patients_need_two_of_them_and_a_failure(patients, events):
    rate = rate_from([rate_sums([10, 20], events, ["a", "a"], cluster=patients)], group="a")
    assert np.isnan([rate.clustered_low, rate.clustered_high]).all()


@parts
@few
@given(seeds)
def test_the_table_under_a_curve_is_that_of_all_rows(n_parts, seed):
    rows = teeth(seed)
    days = [0, 1, 5, 20, 41, 200]
    found = risk_table_from(merged(divided(rows, n_parts)), days, group="a")
    mine = rows.filter(pl.col("group") == "a")
    wanted = risk_table(mine["exit"], mine["event"], days, entry_days=mine["entry"])
    for name in ("entered", "followed", "failed", "ended"):
        assert getattr(found, name).tolist() == getattr(wanted, name).tolist(), name


@few
@given(seeds, st.integers(1, 60))
def test_the_first_day_with_enough_is_that_of_all_rows(seed, enough):
    rows = teeth(seed).with_columns(entry=pl.col("entry") + 3)
    rows = rows.with_columns(exit=pl.col("exit") + 3)
    mine = rows.filter(pl.col("group") == "c")
    wanted = first_day_with(enough, exit_days=mine["exit"], entry_days=mine["entry"])
    assert first_day_from(merged(divided(rows, 4)), enough, group="c") == wanted


@parts
@few
@given(seeds, st.sampled_from([0, 9]))
def test_a_difference_of_curves_from_parts_is_that_of_all_rows(n_parts, seed, from_day):
    rows, days = teeth(seed), [10, 30, 85]
    divided_rows = divided(rows, n_parts)
    table = merged(divided_rows)
    squares = [
        difference_squares(
            table,
            days,
            p["exit"],
            p["event"],
            p["group"],
            pair=("a", "c"),
            cluster=p["patient"],
            entry_days=p["entry"],
            from_day=from_day,
        )
        for p in divided_rows
    ]
    found = survival_difference_from(table, add_squares(squares), days, pair=("a", "c"), from_day=from_day)
    one, other = (
        Group(m["exit"], m["event"], entry_days=m["entry"], cluster=m["patient"])
        for m in (rows.filter(pl.col("group") == name) for name in ("a", "c"))
    )
    wanted = survival_difference(one, other, days, from_day=from_day)
    for name in ("estimate", "std_error", "low", "high", "p", "covariance"):
        np.testing.assert_allclose(
            getattr(found, name), getattr(wanted, name), rtol=1e-9, atol=1e-12, err_msg=name, equal_nan=True
        )
