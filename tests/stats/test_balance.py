import numpy as np
import pytest

from pipeline.stats.balance import balance_table


def test_differences_by_hand_largest_before_first():
    # Smoker: 3/4 against 1/4, variance 3/16 in both: 0.5 / sqrt(3/16) = 1.1547.
    # Age: means 50 and 40, variances 200/3 and 200/3: 10 / sqrt(66.667) = 1.2247.
    x = np.array([[1, 40], [1, 50], [1, 50], [0, 60], [0, 30], [0, 40], [0, 40], [1, 50]], dtype=float)
    treated = [1, 1, 1, 1, 0, 0, 0, 0]
    table = balance_table(x, treated, [1, 1, 1, 3, 1, 1, 1, 3], names=["smoker", "age"])
    assert table["covariate"].to_list() == ["age", "smoker"]
    assert table["before"].to_list() == pytest.approx([10 / np.sqrt(200 / 3), 0.5 / np.sqrt(3 / 16)])
    # After: age (40 + 50 + 50 + 180)/6 and (30 + 40 + 40 + 150)/6; smokers 3/6 and 3/6. The divisor stays.
    assert table["after"].to_list() == pytest.approx([10 / np.sqrt(200 / 3), 0])


def test_a_column_that_varies_in_neither_group_has_no_difference_and_comes_last():
    x = np.array([[1, 0], [1, 1], [0, 0], [0, 1]], dtype=float)
    table = balance_table(x, [1, 1, 0, 0], np.ones(4), names=["same_as_group", "even"])
    assert table["covariate"].to_list() == ["even", "same_as_group"]
    assert table["before"].to_list() == [0, None]


def test_a_row_of_weight_0_counts_before_weighting_only():
    # Means 2 and 2 before, 4 and 2 after; variances 8 and 2.
    table = balance_table([[0.0], [4.0], [1.0], [3.0]], [1, 1, 0, 0], [0, 1, 1, 1], names=["a"])
    assert table.select("before", "after").row(0) == pytest.approx((0, 2 / np.sqrt(5)))


def test_scale_of_a_column_and_of_the_weights_changes_nothing():
    rng = np.random.default_rng(1)
    x, treated, weights = rng.normal(size=(50, 2)), rng.random(50) < 0.4, rng.uniform(0.5, 2, 50)
    plain = balance_table(x, treated, weights, names=["a", "b"])
    scaled = balance_table(x * [365.25, 1], treated, weights * 7, names=["a", "b"])
    assert scaled["after"].to_list() == pytest.approx(plain["after"].to_list())


def test_input_that_does_not_fit_is_refused():
    with pytest.raises(ValueError, match="fit together"):
        balance_table(np.ones((3, 1)), [1, 0], [1, 1], names=["a"])
    with pytest.raises(ValueError, match="at least 2"):
        balance_table(np.ones((3, 1)), [1, 0, 0], [1, 1, 1], names=["a"])
    with pytest.raises(ValueError, match="finite"):
        balance_table(np.full((4, 1), np.nan), [1, 1, 0, 0], np.ones(4), names=["a"])
