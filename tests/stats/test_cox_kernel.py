"""The short ways of the kernel give what the plain ones do."""

import numpy as np
import pytest

from pipeline.stats.cox_baseline import count_below
from pipeline.stats.cox_kernel import BLOCK, cross_product, ranks


@pytest.mark.parametrize("grid", [[0, 3, 4, 9], [2], [-5, 0], [0, 10_000_000], [0.5, 3.0]])
def test_ranks_are_those_of_a_bisection(grid):
    values = np.array([-np.inf, -6, -1, 0, 0.4, 2.5, 3, 8.999, 9, 11, 1e9])
    grid = np.array(grid, dtype=np.float64)
    assert ranks(grid, values).tolist() == np.searchsorted(grid, values, side="right").tolist()


def test_a_cross_product_by_blocks_is_that_of_all_rows():
    rng = np.random.default_rng(2)
    x, weight = rng.normal(size=(3, 2 * BLOCK + 5)), rng.random(2 * BLOCK + 5)
    assert cross_product(x, weight) == pytest.approx((x * weight) @ x.T, rel=1e-12)


@pytest.mark.parametrize("days", [[4.0], [0, 1, 2, 3, 4, 5, 99], [0, 0.5, 1.5, 4.0, 7.2]])
@pytest.mark.parametrize("values", [[-np.inf, -1, 0, 4, 4, 7], [-np.inf, -np.inf], [0, 0.5, 4], [], [3, 50_000_000]])
def test_what_lies_below_a_day_is_counted(values, days):
    values = np.array(values, dtype=np.float64)
    assert count_below(values, np.array(days)).tolist() == [int((values < day).sum()) for day in days]
