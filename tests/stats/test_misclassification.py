import numpy as np
import pytest
from scipy.stats import kstest

from pipeline.stats.misclassification import Trapezoidal, draw_alike, range_of, unseen_of


def uniform(low, high):
    return Trapezoidal(low, low, high, high)


def test_trapezoid_by_hand():
    # From 0 over 0.2 and 0.4 to 0.6: height 2 / (0.6 + 0.4 - 0.2) = 2.5, so a quarter of it lies left of 0.2.
    prior = Trapezoidal(0, 0.2, 0.4, 0.6)
    assert prior.quantile(np.array([0, 0.25, 0.5, 0.75, 1])).tolist() == pytest.approx([0, 0.2, 0.3, 0.4, 0.6])
    assert prior.quantile(np.array([1 / 16])).tolist() == pytest.approx([0.1])  # a sixteenth: half as far, half as high
    assert uniform(0.2, 0.6).quantile(np.array([0.25])).tolist() == pytest.approx([0.3])


@pytest.mark.parametrize("corners", [(0.3, 0.2, 0.4, 0.5), (0, 0.1, 0.2, 1.1), (0.5, 0.5, 0.5, 0.5)])
def test_trapezoid_refuses_corners_that_do_not_rise(corners):
    with pytest.raises(ValueError, match="rising"):
        Trapezoidal(*corners)


def test_alike_draws_keep_their_own_law():
    rng = np.random.default_rng(5)
    one, other = draw_alike(uniform(0, 1), uniform(0.2, 0.6), correlation=0.8, n=20_000, rng=rng)
    assert kstest(one, lambda x: x).pvalue > 0.001
    assert kstest(other, lambda x: np.clip((x - 0.2) / 0.4, 0, 1)).pvalue > 0.001
    assert 0.75 < np.corrcoef(one, other)[0, 1] < 0.82
    same, again = draw_alike(uniform(0, 1), uniform(0, 1), correlation=1, n=5, rng=rng)
    assert same.tolist() == again.tolist()


def test_unseen_of_by_law():
    # 40 seen where half are seen: 40 unseen on average, variance 40 * (1 - 1/2) / (1/2)^2 = 80.
    drawn = unseen_of(40, np.full(100_000, 0.5), np.random.default_rng(2))
    assert drawn.mean() == pytest.approx(40, abs=0.15)
    assert drawn.var() == pytest.approx(80, rel=0.03)
    assert unseen_of(40, np.ones(3), np.random.default_rng(2)).tolist() == [0, 0, 0]
    assert unseen_of(0, np.full(3, 0.1), np.random.default_rng(2)).tolist() == [0, 0, 0]


def test_range_of_no_draws_is_not_a_number():
    none = range_of(np.array([]))
    assert np.isnan([none.median, none.low, none.high]).all()
