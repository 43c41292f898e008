"""Errors grouped by patient, added up over parts, are those of all rows at once."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from risk_set_rows import teeth

from pipeline.stats.differences import Group, survival_difference
from pipeline.stats.kaplan_meier import kaplan_meier
from pipeline.stats.risk_set_errors import (
    add_squares,
    curve_squares,
    difference_squares,
    survival_difference_from,
)
from pipeline.stats.risk_sets import count_changes, curve_from, merge

few = settings(max_examples=15, deadline=None, derandomize=True)
seeds = st.integers(0, 10_000)
parts = pytest.mark.parametrize("n_parts", [1, 2, 7, pytest.param(64, marks=pytest.mark.thorough)])


def split(rows: pl.DataFrame, n_parts: int) -> list[pl.DataFrame]:
    return [rows.filter(pl.col("patient") % n_parts == number) for number in range(n_parts)]


def merged(rows: list[pl.DataFrame]) -> pl.DataFrame:
    return merge(count_changes(p["exit"], p["event"], entry_days=p["entry"], group=p["group"]) for p in rows)


def assert_same(one: object, other: object) -> None:
    for field in fields(other):  # type: ignore[arg-type]
        got, wanted = getattr(one, field.name), getattr(other, field.name)
        if isinstance(wanted, np.ndarray):
            # An error that is 0 is the root of a difference of sums: rounding leaves up to 1e-10 of it either way.
            np.testing.assert_allclose(got, wanted, rtol=1e-9, atol=1e-9, err_msg=field.name)
        elif isinstance(wanted, float):
            assert got == pytest.approx(wanted, rel=1e-8, nan_ok=True), field.name
        else:
            assert got == wanted, field.name


@pytest.mark.one_in(3)
@parts
@few
@given(seeds, st.sampled_from([0, 9]))
def test_a_clustered_curve_from_parts_is_that_of_all_rows(n_parts, seed, from_day):
    rows = teeth(seed)
    divided = split(rows, n_parts)
    table = merged(divided)
    own = [p.filter(pl.col("group") == "b") for p in divided]
    squares = add_squares(
        [
            curve_squares(
                table,
                p["exit"],
                p["event"],
                entry_days=p["entry"],
                cluster=p["patient"],
                group="b",
                from_day=from_day,
            )
            for p in own
        ]
    )
    b = rows.filter(pl.col("group") == "b")
    wanted = kaplan_meier(b["exit"], b["event"], entry_days=b["entry"], cluster=b["patient"], from_day=from_day)
    assert_same(curve_from(table, squares, group="b", from_day=from_day), wanted)


def test_one_patient_leaves_nothing_to_tell_the_error_from():
    table = merge([count_changes([3, 5], [1, 0])])
    parts = [([3, 5], [1, 0], [7, 7]), ([], [], [])]  # the second part has no rows, and so no patient
    squares = add_squares([curve_squares(table, exits, event, cluster=of) for exits, event, of in parts])
    curve = curve_from(table, squares)
    assert curve.survival.tolist() == [0.5, 0.5]
    assert np.isnan(curve.std_error).all()


@pytest.mark.parametrize("from_day", [0, 4])
@pytest.mark.parametrize("last_fails", [True, False])
def test_a_difference_is_known_from_the_first_day_to_the_last_that_both_curves_reach(from_day, last_fails):
    exits, events = {"a": [3, 5, 8], "b": [4, 6, 7, 9]}, {"a": [1, 1, last_fails], "b": [0, 1, 1, 0]}
    patients = {"a": [1, 2, 1], "b": [2, 1, 3, 3]}
    rows = pl.concat(
        pl.DataFrame({"exit": exits[g], "event": [int(e) for e in events[g]], "group": g, "patient": patients[g]})
        for g in "ab"
    )
    table = merge([count_changes(rows["exit"], rows["event"], group=rows["group"])])
    days = list(range(11))
    squares = difference_squares(
        table, days, rows["exit"], rows["event"], rows["group"], pair=("a", "b"), cluster=rows["patient"],
        from_day=from_day,
    )  # fmt: skip
    one, other = (Group(exits[g], events[g], cluster=patients[g]) for g in "ab")
    found = survival_difference_from(table, squares, days, pair=("a", "b"), from_day=from_day)
    wanted = survival_difference(one, other, days, from_day=from_day)
    np.testing.assert_allclose(found.estimate, wanted.estimate)
    known = [from_day <= day <= (7 if last_fails else 8) for day in days]
    assert np.isfinite(found.estimate).tolist() == known
    error = ~np.isnan(found.std_error)
    np.testing.assert_allclose(found.std_error[error], wanted.std_error[error])


@pytest.mark.parametrize("of", [[], [7], [7, 9, 7]])
def test_a_part_of_a_difference_says_how_many_patients_it_has(of):
    n, table = len(of), merge([count_changes([3, 5], [1, 0], group=["a", "b"])])
    found = difference_squares(table, [4], [3] * n, [1] * n, ["a"] * n, pair=("a", "b"), cluster=of)
    assert found.n_units == len(set(of))
