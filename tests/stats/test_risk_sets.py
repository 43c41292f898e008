"""Tables of counts that add up: merged from any number of parts they give what all rows give at once."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from risk_set_rows import teeth

from pipeline.stats.kaplan_meier import kaplan_meier
from pipeline.stats.risk_sets import (
    RISK_SETS,
    count_changes,
    curve_from,
    first_day_from,
    merge,
    of_group,
    risk_table_from,
)

few = settings(max_examples=30, deadline=None, derandomize=True)
seeds = st.integers(0, 10_000)


def merged(rows: pl.DataFrame) -> pl.DataFrame:
    return merge(
        count_changes(part["exit"], part["event"], entry_days=part["entry"], group=part["group"])
        for _, part in rows.group_by("part")
    )


def assert_same(one: object, other: object, *, leave_out: tuple[str, ...] = ()) -> None:
    for field in fields(other):  # type: ignore[arg-type]
        if field.name not in leave_out:
            got, wanted = getattr(one, field.name), getattr(other, field.name)
            if isinstance(wanted, np.ndarray):
                np.testing.assert_allclose(got, wanted, rtol=1e-12, atol=1e-12, err_msg=field.name)
            elif isinstance(wanted, float):
                assert got == pytest.approx(wanted, rel=1e-12, nan_ok=True), field.name
            else:
                assert got == wanted, field.name


def test_two_parts_by_hand():
    # Part one: followed from day 0, fails on day 10. Part two: enters on day 5, leaves on day 10; fails on day 20.
    one = count_changes([10], [1], group=["a"])
    two = count_changes([10, 20], [0, 1], entry_days=[5, 0], group=["a", "a"])
    assert merge([two, one]).select("day", "change", "rows").rows() == [
        (-1, -1, 2),
        (5, -1, 1),
        (10, 0, 1),
        (10, 1, 1),
        (20, 1, 1),
    ]
    curve = curve_from(merge([one, two]))
    assert curve.at_risk.tolist() == [3, 1]
    assert curve.survival.tolist() == pytest.approx([2 / 3, 0])


@few
@given(seeds, st.sampled_from([0, 7, 40]))
def test_a_curve_from_parts_is_that_of_all_rows(seed, from_day):
    rows = teeth(seed)
    for group in ("a", "b", "c"):
        own = rows.filter(pl.col("group") == group)
        wanted = kaplan_meier(own["exit"], own["event"], entry_days=own["entry"], from_day=from_day)
        assert_same(curve_from(merged(rows), group=group, from_day=from_day), wanted)


def test_a_part_without_rows_adds_nothing():
    none = count_changes([], [])
    assert none.schema == RISK_SETS
    some = count_changes([3, 4], [1, 0])
    assert merge([none, some]).equals(merge([some]))


def test_what_a_curve_cannot_use_is_refused():
    with pytest.raises(ValueError, match="several causes"):
        count_changes([3, 4], [1, 2])
    with pytest.raises(ValueError, match="past from_day"):
        curve_from(count_changes([3, 4], [1, 1]), from_day=4)
    with pytest.raises(ValueError, match="labels are missing"):
        count_changes([3, 4], [1, 1], group=["a", None])


def test_the_first_day_with_enough_counts_from_day_0():
    table = count_changes([3, 4, 9], [1, 0, 0], entry_days=[0, 0, 5])
    assert [first_day_from(table, n) for n in (1, 2, 3)] == [0, 0, None]
    # On day 5 the third enters, when two have left; on day 2 it would be the third.
    assert first_day_from(count_changes([3, 4, 9], [1, 0, 0], entry_days=[0, 0, 2]), 3) == 2
    # Who enters on the day on which another leaves comes too late for the two to be there at its end.
    assert first_day_from(count_changes([3, 9], [1, 0], entry_days=[0, 3]), 2) is None


def test_the_table_under_a_curve_by_hand():
    table = count_changes([3, 4, 9], [1, 0, 0], entry_days=[0, 0, 5], group=["a", "a", "b"])
    found = risk_table_from(table, [0, 3, 4, 5, 6])
    assert found.entered.tolist() == [2, 2, 2, 2, 3]
    assert found.failed.tolist() == [0, 0, 1, 1, 1]
    assert found.ended.tolist() == [0, 0, 0, 1, 1]
    assert found.followed.tolist() == [2, 2, 1, 0, 1]
    assert risk_table_from(table, 6, group="b").followed.tolist() == [1]


def test_who_left_by_the_day_from_which_is_asked_cancels():
    table = count_changes([3, 4, 9, 9], [1, 0, 0, 1], entry_days=[0, 0, 0, 3])
    # On day 3 one has failed and one has entered: three are followed past it.
    assert of_group(table, None, from_day=3).rows() == [(3, -1, 3), (4, 0, 1), (9, 0, 1), (9, 1, 1)]
    assert of_group(table, None, from_day=4).rows() == [(4, -1, 2), (9, 0, 1), (9, 1, 1)]
    assert of_group(table, None, from_day=9).rows() == []
    # One alone may be left, and day 1 is past as any other is.
    assert of_group(count_changes([1, 9], [1, 0]), None, from_day=1).rows() == [(1, -1, 1), (9, 0, 1)]


def test_a_curve_from_counts_that_falls_to_0_has_no_error_there():
    curve = curve_from(count_changes([3, 4, 4], [1, 1, 1]))
    # Greenwood after the first of three: 2/3 times the root of 1 / (3 x 2).
    assert curve.std_error[0] == pytest.approx(2 / 3 * np.sqrt(1 / 6))
    assert np.isnan(curve.std_error[1])
    assert (curve.n_units, curve.confidence) == (0, 0.95)


def test_without_labels_all_rows_carry_an_empty_one():
    table = count_changes([3, 4], [1, 0])
    assert table["group"].unique().to_list() == [""]
    assert count_changes([3, 4], [1, 0], group=[2, 1])["group"].unique().sort().to_list() == ["1", "2"]
    with pytest.raises(ValueError, match="has 1 rows where exit_days has 2"):
        count_changes([3, 4], [1, 0], group=["a"])
