"""Tables of counts that add up: merged from any number of parts they give what all rows give at once."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from risk_set_rows import teeth

from pipeline.stats.aalen_johansen import aalen_johansen
from pipeline.stats.gray import gray_test
from pipeline.stats.kaplan_meier import kaplan_meier
from pipeline.stats.log_rank import log_rank
from pipeline.stats.risk_sets import (
    RISK_SETS,
    cells_from,
    count_changes,
    curve_from,
    first_day_from,
    gray_from,
    incidence_from,
    log_rank_from,
    merge,
    of_group,
    risk_table_from,
)

few = settings(max_examples=30, deadline=None, derandomize=True)
seeds = st.integers(0, 10_000)


def merged(rows: pl.DataFrame, *, strata: bool = False) -> pl.DataFrame:
    return merge(
        count_changes(
            part["exit"],
            part["event"],
            entry_days=part["entry"],
            group=part["group"],
            strata=part["clinic"] if strata else None,
        )
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


@few
@given(seeds)
def test_incidence_from_parts_is_that_of_all_rows(seed):
    rows = teeth(seed, causes=3)
    time, incidence, free = incidence_from(merged(rows), n_causes=3)
    wanted = aalen_johansen(rows["exit"], rows["event"], entry_days=rows["entry"], n_causes=3)
    np.testing.assert_array_equal(time, wanted.time)
    np.testing.assert_allclose(incidence, wanted.incidence, rtol=1e-12)
    np.testing.assert_allclose(free, wanted.event_free, rtol=1e-12)


@few
@given(seeds, st.sampled_from(["log-rank", "gehan", "tarone-ware", "fleming-harrington"]), st.booleans())
def test_a_log_rank_test_from_parts_is_that_of_all_rows(seed, weighting, by_clinic):
    rows = teeth(seed)
    wanted = log_rank(
        rows["exit"],
        rows["event"],
        rows["group"],
        entry_days=rows["entry"],
        strata=rows["clinic"] if by_clinic else None,
        weighting=weighting,
        p=0.5,
        q=0.5,
    )
    got = log_rank_from(merged(rows, strata=by_clinic), weighting=weighting, p=0.5, q=0.5)
    assert_same(got, wanted, leave_out=("n_units",))


@few
@given(seeds)
def test_grays_test_from_parts_is_that_of_all_rows(seed):
    rows = teeth(seed, causes=3).with_columns(entry=pl.lit(0))
    wanted = gray_test(rows["exit"], rows["event"], rows["group"], of_cause=2, entry_days=rows["entry"])
    assert_same(gray_from(merged(rows), of_cause=2), wanted)


def test_rows_of_one_tooth_that_touch_are_one_row():
    table = count_changes([10, 30], [0, 1], entry_days=[0, 10], subject=["t", "t"])
    assert table.select("day", "change", "rows").rows() == [(-1, -1, 1), (30, 1, 1)]


def test_a_part_without_rows_adds_nothing():
    none = count_changes([], [])
    assert none.schema == RISK_SETS
    some = count_changes([3, 4], [1, 0])
    assert merge([none, some]).equals(merge([some]))


def test_what_a_curve_cannot_use_is_refused():
    with pytest.raises(ValueError, match="several causes"):
        curve_from(count_changes([3, 4], [1, 2]))
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


def test_cells_of_the_tests_between_groups_by_hand():
    # Stratum x: one of a and one of b, which fails on day 4. Stratum y: a fails on day 2; b enters on it, too late.
    table = count_changes(
        [5, 4, 2, 6],
        [0, 1, 1, 0],
        entry_days=[0, 0, 0, 2],
        group=["a", "b", "a", "b"],
        strata=["x", "x", "y", "y"],
    )
    cells, labels = cells_from(table, n_causes=1)
    assert labels == ("a", "b")
    assert (cells.day.tolist(), cells.stratum.tolist(), cells.starts.tolist()) == ([4, 2], [0, 1], [0, 1])
    assert cells.at_risk.tolist() == [[1, 1], [1, 0]]
    assert cells.events.tolist() == [[[0, 1], [1, 0]]]
    assert (cells.n_at_risk.tolist(), cells.n_events.tolist()) == ([2, 1], [1, 1])
    with pytest.raises(ValueError, match="at least two"):
        cells_from(table.filter(pl.col("group") == "a"), n_causes=1)
    with pytest.raises(ValueError, match="several causes need gray_from"):
        log_rank_from(count_changes([3, 4], [1, 2], group=["a", "b"]))


def test_who_left_by_the_day_from_which_is_asked_cancels():
    table = count_changes([3, 4, 9, 9], [1, 0, 0, 1], entry_days=[0, 0, 0, 3])
    # On day 3 one has failed and one has entered: three are followed past it.
    assert of_group(table, None, from_day=3).rows() == [(3, -1, 3), (4, 0, 1), (9, 0, 1), (9, 1, 1)]
    assert of_group(table, None, from_day=4).rows() == [(4, -1, 2), (9, 0, 1), (9, 1, 1)]
    assert of_group(table, None, from_day=9).rows() == []


def test_a_curve_from_counts_that_falls_to_0_has_no_error_there():
    curve = curve_from(count_changes([3, 4, 4], [1, 1, 1]))
    # Greenwood after the first of three: 2/3 times the root of 1 / (3 x 2).
    assert curve.std_error[0] == pytest.approx(2 / 3 * np.sqrt(1 / 6))
    assert np.isnan(curve.std_error[1])
    assert (curve.variance, curve.n_units, curve.confidence) == ("greenwood", 0, 0.95)


def test_without_labels_all_rows_carry_an_empty_one():
    table = count_changes([3, 4], [1, 0])
    assert table["group"].unique().to_list() == table["stratum"].unique().to_list() == [""]
    assert count_changes([3, 4], [1, 0], group=[2, 1])["group"].unique().sort().to_list() == ["1", "2"]
    with pytest.raises(ValueError, match="has 1 rows where exit_days has 2"):
        count_changes([3, 4], [1, 0], group=["a"])
