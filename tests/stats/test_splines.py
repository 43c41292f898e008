import numpy as np
import pytest

from pipeline.stats.splines import harrell_knots, natural_spline

# R 4.2: ns(c(-1, 2, 4, 7, 12), knots = c(3, 5), Boundary.knots = c(0, 10)).
STORED = [
    [0.11890540109, -0.2853729626, 0.1664675615],
    [-0.15254394844, 0.4941054763, -0.2882281945],
    [0.16505332082, 0.5564434586, -0.3186396366],
    [0.46386187188, 0.3473029361, 0.1116923349],
    [-0.68348623853, 0.4403669725, 1.2431192661],
]


def test_equal_to_the_basis_of_r():
    assert natural_spline([-1, 2, 4, 7, 12], knots=[0, 3, 5, 10]) == pytest.approx(np.array(STORED), abs=1e-9)


def test_two_knots_are_a_straight_line():
    found = natural_spline([0, 5, 10, 20], knots=[0, 10])[:, 0]
    assert found / found[1] == pytest.approx([0, 1, 2, 4])


def test_space_is_that_of_truncated_cubes():
    """Any natural cubic spline with the same knots is a sum of the columns: Harrell's form, with the intercept."""
    knots = np.array([1.0, 2.0, 4.0, 7.0])
    x = np.linspace(0, 9, 40)
    cubes = [np.maximum(x - k, 0) ** 3 for k in knots]
    ends = knots[-1] - knots[-2]
    form = [
        cubes[j] - cubes[-2] * (knots[-1] - knots[j]) / ends + cubes[-1] * (knots[-2] - knots[j]) / ends for j in (0, 1)
    ]
    basis = np.column_stack([np.ones(40), natural_spline(x, knots=knots)])
    for column in (x, *form):
        left = column - basis @ np.linalg.lstsq(basis, column)[0]
        assert np.abs(left).max() < 1e-9 * np.abs(column).max()


def test_knots_at_stated_quantiles():
    values = np.arange(101.0)
    assert harrell_knots(values, n_knots=3) == pytest.approx([10, 50, 90])
    assert harrell_knots(values) == pytest.approx([5, 35, 65, 95])
    assert harrell_knots(values[::-1], n_knots=5) == pytest.approx([5, 27.5, 50, 72.5, 95])
    with pytest.raises(ValueError, match="too often alike"):
        harrell_knots([0] * 80 + [1, 2, 3], n_knots=3)
    with pytest.raises(ValueError, match="n_knots"):
        harrell_knots(values, n_knots=2)


def test_input_that_makes_no_basis_is_refused():
    for knots in ([1], [1, 1, 2], [2, 1]):
        with pytest.raises(ValueError, match="in order"):
            natural_spline([1, 2], knots=knots)
    with pytest.raises(ValueError, match="finite"):
        natural_spline([np.nan], knots=[0, 1])
