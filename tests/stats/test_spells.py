"""Rows as every curve reads them: what is joined, dropped, numbered and refused, by hand."""

from __future__ import annotations

import itertools

import numpy as np
import polars as pl
import pytest

from pipeline.stats.spells import distinct_days, numbered, position_in, read_spells, whole_numbers


def rows(**columns) -> list[tuple[int, int, int]]:
    found = read_spells(**columns)
    return list(zip(found.entry.tolist(), found.exit.tolist(), found.cause.tolist(), strict=True))


def test_entry_on_day_0_is_from_its_start():
    assert rows(exit_days=[0, 5, 6], event=[1, 0, 2]) == [(-1, 0, 1), (-1, 5, 0), (-1, 6, 2)]
    assert rows(exit_days=[5, 5, 6], event=[True, False, False], entry_days=[-3, 0, 1]) == [
        (-1, 5, 1),
        (-1, 5, 0),
        (1, 6, 0),
    ]


def test_what_happened_up_to_a_day_is_dropped_and_day_0_is_kept():
    columns = {"exit_days": [0, 4, 5, 9], "event": [1, 1, 1, 0], "entry_days": [0, 1, 0, 7]}
    assert rows(**columns, from_day=0) == [(-1, 0, 1), (1, 4, 1), (-1, 5, 1), (7, 9, 0)]
    assert rows(**columns, from_day=1) == [(1, 4, 1), (1, 5, 1), (7, 9, 0)]
    assert rows(**columns, from_day=4) == [(4, 5, 1), (7, 9, 0)]
    # Units are numbered anew among the rows that are left.
    found = read_spells([4, 5, 9], [1, 1, 0], cluster=["b", "c", "a"], from_day=4)
    assert (found.unit.tolist(), found.unit_labels.tolist(), found.n_units) == ([0, 1], ["a", "c"], 2)


def test_units_are_clusters_else_rows():
    days = {"exit_days": [4, 5, 6], "event": [0, 0, 1]}
    assert read_spells(**days).unit is None
    assert read_spells(**days).n_units == 0
    assert read_spells(**days, cluster=["p", "q", "p"]).unit_labels.tolist() == ["p", "q"]
    assert read_spells(**days, with_units=True).unit.tolist() == [0, 1, 2]
    assert read_spells(**days, weights=[1, 2, 3]).n_units == 3


def test_weights_are_ones_where_there_are_none_and_go_with_their_rows():
    plain = read_spells([4, 5], [0, 1])
    assert (plain.weight, plain.weights.tolist()) == (None, [1, 1])
    assert plain.take(np.array([1])).exit.tolist() == [5]
    weighted = read_spells([4, 5], [0, 1], weights=[0.5, 2], cluster=["a", "b"])
    taken = weighted.take(np.array([1]))
    assert (taken.weights.tolist(), taken.exit.tolist(), taken.unit.tolist()) == ([2], [5], [1])


@pytest.mark.parametrize(
    "columns",
    [
        # Pairs of rows that a careless key would not tell apart: a day later, a cause or a group more.
        {"exit_days": [9, 9], "event": [0, 1], "entry_days": [2, 1]},
        {"exit_days": [5, 6, 6], "event": [0, 0, 0], "entry_days": [2, 1, 0]},
        {"exit_days": [9, 9], "event": [1, 1], "entry_days": [2, 1], "carry": np.array([0, 1])},
        {"exit_days": [9, 9], "event": [0, 0], "entry_days": [2, 1], "carry": np.array([0, 1])},
        {"exit_days": [6, 1], "event": [0, 0], "cluster": ["a", "b"]},
        {"exit_days": [5, 6], "event": [0, 0], "weights": [1.0, 1.0], "cluster": ["b", "a"]},
        {"exit_days": [5, 5], "event": [0, 0], "weights": [2.0, 1.0]},
        # So large that no one key holds all of them.
        {"exit_days": [2**40, 2**40, 5], "event": [0, 1, 0], "entry_days": [2**39, 7, 0]},
    ],
)
def test_rows_stand_in_one_order_whatever_order_they_came_in(columns):
    def read(order: tuple[int, ...]) -> list[tuple]:
        turned = {name: np.asarray(values)[list(order)] for name, values in columns.items()}
        found = read_spells(**turned, with_units=True)
        return list(zip(found.entry, found.exit, found.cause, found.weights, found.carried, strict=True))

    orders = [read(order) for order in itertools.permutations(range(len(columns["exit_days"])))]
    assert all(order == orders[0] for order in orders)


def test_the_place_of_days_in_a_grid():
    grid = np.array([3, 5, 9, 10])
    days = np.array([-99, 2, 3, 4, 5, 9, 10, 11, 99])
    for one in (grid, np.array([3, 5, 9, 10, 2**50])):  # the second has too wide a span for a table
        assert position_in(days, one, after=False).tolist() == [0, 0, 0, 1, 1, 2, 3, 4, 4]
        assert position_in(days, one, after=True).tolist() == [0, 0, 1, 1, 2, 3, 4, 4, 4]
    assert position_in(days[:1], grid[:0], after=True).tolist() == [0]


def test_distinct_days():
    for days in ([], [7], [9, -1, 9, 3], [2**50, 4, 4], [-(2**50), 4, 4]):
        assert distinct_days(np.array(days, dtype=np.int64)).tolist() == sorted(set(days))


@pytest.mark.parametrize(
    ("labels", "numbers", "names"),
    [
        (["b", "a", "b"], [1, 0, 1], ["a", "b"]),
        (np.array(["b", "a", "b"], dtype=object), [1, 0, 1], ["a", "b"]),
        (pl.Series(["b", "a", "b"]), [1, 0, 1], ["a", "b"]),
        (pl.Series(["b", "a", "b"], dtype=pl.Enum(["b", "a"])), [1, 0, 1], ["a", "b"]),
        ([7, -3, 7], [1, 0, 1], [-3, 7]),
        ([2.5, 0.5, 2.5], [1, 0, 1], [0.5, 2.5]),
        ([True, False, True], [1, 0, 1], [False, True]),
    ],
)
def test_labels_are_numbered_in_their_order(labels, numbers, names):
    found = numbered(labels)
    assert (found[0].tolist(), found[1].tolist()) == (numbers, names)


@pytest.mark.parametrize("labels", [pl.Series(["a", None]), np.array(["a", None], dtype=object), [1.0, np.nan]])
def test_missing_labels_are_refused(labels):
    with pytest.raises(ValueError, match="1 of 2 labels are missing"):
        numbered(labels)


@pytest.mark.parametrize(("value", "fine"), [(3.0, True), (-3.0, True), (2.5, False), (np.nan, False), (np.inf, False)])
def test_whole_numbers(value, fine):
    if fine:
        assert whole_numbers([1.0, value], "days").tolist() == [1, value]
        return
    with pytest.raises(ValueError, match="days must hold whole numbers: 1 of 2 rows do not"):
        whole_numbers([1.0, value], "days")


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"exit_days": [], "event": []}, "no rows"),
        ({"exit_days": [3, -1], "event": [0, 0]}, "1 of 2 rows leave before day 0"),
        ({"exit_days": [3, 4], "event": [0, 0], "entry_days": [3, 3]}, "1 of 2 rows end on or before the day they"),
        ({"exit_days": [3, 0], "event": [0, 0], "entry_days": [0, 5]}, "1 of 2 rows end on or before the day they"),
        ({"exit_days": [3, 4], "event": [0, -1]}, "1 of 2 rows have a negative event code"),
        ({"exit_days": [3, 4], "event": [0, 0], "weights": [0, 1]}, "1 of 2 rows have a weight"),
        ({"exit_days": [3, 4], "event": [0, 0], "weights": [np.inf, 1]}, "1 of 2 rows have a weight"),
        ({"exit_days": [3, 4], "event": [0]}, "event has 1 rows where exit_days has 2"),
        ({"exit_days": [3, 4], "event": [0, 0], "cluster": ["a"]}, "cluster has 1 rows where exit_days has 2"),
        ({"exit_days": [[3, 4]], "event": [0, 0]}, "exit_days must have one dimension"),
        ({"exit_days": ["a", "b"], "event": [0, 0]}, "exit_days must hold whole numbers"),
    ],
)
def test_broken_columns_are_refused(columns, words):
    with pytest.raises(ValueError, match=words):
        read_spells(**columns)
