"""What a Cox fit accepts, row by row, and what it says of the rest: counts and names, never a value."""

import numpy as np
import pytest

from pipeline.stats.cox_input import CoxInputError, CoxRows, check_rows, distinct_codes

GOOD = {"x": [[1, 3], [2, 1], [5, 2]], "exit_days": [3, 0, 5], "event": [1, 0, 1], "names": ["a", "b"]}


def checked(**changes: object) -> CoxRows:
    return check_rows(**{**GOOD, **changes})


def test_what_is_not_given_weighs_one_in_one_stratum_from_the_start():
    rows = checked()
    assert (rows.names, rows.x.tolist()) == (("a", "b"), [[1.0, 3.0], [2.0, 1.0], [5.0, 2.0]])
    assert (rows.exit.tolist(), rows.event.tolist()) == ([3.0, 0.0, 5.0], [True, False, True])
    assert (rows.entry.tolist(), rows.weight.tolist()) == ([-np.inf] * 3, [1.0] * 3)
    assert (rows.strata.tolist(), rows.strata_values.tolist(), rows.cluster) == ([0, 0, 0], [0], None)
    assert (rows.x.dtype, rows.exit.dtype, rows.event.dtype, rows.strata.dtype) == (float, float, bool, np.intp)


def test_what_is_given_stands_in_its_own_place():
    rows = checked(entry_days=[2, -1, 4], strata=["s", "m", "s"], weights=[0.5, 2, 3], cluster=[70, 9, 70])
    assert (rows.entry.tolist(), rows.weight.tolist()) == ([2.0, -1.0, 4.0], [0.5, 2.0, 3.0])
    assert (rows.strata.tolist(), rows.strata_values.tolist()) == ([1, 0, 1], ["m", "s"])
    assert rows.cluster is not None
    assert rows.cluster.tolist() == [1, 0, 1]


def test_what_may_be_allowed():
    flat = {"x": [[7, 3], [7, 1], [7, 2]]}
    with pytest.raises(CoxInputError, match=r"^Constant covariates cannot be estimated: a\.$"):
        checked(**flat)
    assert checked(**flat, constant_allowed=True).x[0, 0] == 7
    none = {"event": [False] * 3}
    with pytest.raises(CoxInputError, match=r"^None of 3 rows has an event: nothing can be estimated\.$"):
        checked(**none)
    assert not checked(**none, no_event_allowed=True).event.any()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"exit_days": [3, -1, 5]}, "1 of 3 rows have negative follow-up."),
        ({"exit_days": [[3], [4], [5]]}, "exit_days needs one value per row."),
        ({"exit_days": [3, np.inf, np.nan]}, "2 of 3 rows have no finite exit_days."),
        ({"entry_days": [3, -1, 6]}, "2 of 3 rows enter on or after the day they leave."),
        ({"entry_days": [np.nan, -1, 4]}, "1 of 3 rows have no finite entry_days."),
        ({"weights": [0, 1, -1]}, "2 of 3 rows have a weight that is not positive."),
        ({"weights": [1, np.nan, 1]}, "1 of 3 rows have no finite weights."),
        ({"event": [1, 2, -1]}, "2 of 3 rows have an event that is neither 0 nor 1."),
        ({"x": [[1, np.nan], [2, np.inf], [5, 2]]}, "2 of 3 rows have no finite value of b."),
        ({"x": [1, 2, 5]}, "x has shape (3,): it needs one column for each of 2 names."),
        ({"names": ["a"]}, "x has shape (3, 2): it needs one column for each of 1 names."),
        ({"x": np.empty((3, 0)), "names": []}, "x has shape (3, 0): it needs one column for each of 0 names."),
        ({"names": ["a", "a"]}, "names: a name is used more than once."),
        ({"strata": [[1], [2], [1]]}, "strata needs one value per row."),
        ({"strata": [1.0, np.nan, 2.0]}, "1 of 3 rows have no strata."),
        ({"cluster": [np.nan, 1.0, np.inf]}, "2 of 3 rows have no cluster."),
        ({"x": [[1, 3], [2, 1]]}, "x has 2 rows and exit_days 3."),
        ({"event": [1, 0]}, "event has 2 rows and exit_days 3."),
        ({"entry_days": [0, -1]}, "entry_days has 2 rows and exit_days 3."),
        ({"strata": [1, 2]}, "strata has 2 rows and exit_days 3."),
        ({"weights": [1, 2, 3, 4]}, "weights has 4 rows and exit_days 3."),
    ],
)
def test_what_is_refused(changes, said):
    with pytest.raises(CoxInputError) as refused:
        checked(**changes)
    assert str(refused.value) == said


@pytest.mark.parametrize(
    "values", [[7, 5, 7, 8], [10**12, -3, 10**12, 5], [2.5, -1.0, 2.5, 0.0], ["m", "b", "m", "c"], [True, False, True]]
)
def test_codes_stand_for_the_values_in_order(values):
    distinct, code = distinct_codes(values, "strata")
    assert distinct.tolist() == sorted(set(values))
    assert [distinct.tolist()[c] for c in code] == values
    assert code.dtype == np.intp


def test_of_no_rows_there_are_no_codes():
    for empty in (np.zeros(0, dtype=int), np.zeros(0)):
        distinct, code = distinct_codes(empty, "strata")
        assert (len(distinct), len(code)) == (0, 0)
