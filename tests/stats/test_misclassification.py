from fractions import Fraction

import numpy as np
import pytest
from scipy.stats import kstest

from pipeline.stats.misclassification import (
    Beta,
    Table,
    Trapezoidal,
    correct_table,
    draw_alike,
    probabilistic,
    range_of,
    unseen_of,
)

# Smoking and cancer, 126 of 218 cases and 71 of 295 others exposed: Chu H, et al. Ann Epidemiol 2006;16:834-841, as
# quoted and recomputed with the R package episensr (Haine D, doi 10.5281/zenodo.4554554) in a public course text.
CHU = Table(126, 92, 71, 224)
# Smoking in pregnancy and breast cancer: Fink AK, Lash TL. Cancer Causes Control 2003;14:497-503, as printed in that
# package's help and vignette "Probabilistic Sensitivity Analysis" (version 2.0.0).
FINK = Table(215, 1449, 668, 4296)


class Fixed:
    """A share that is taken as known."""

    def __init__(self, value):
        self.value = value

    def quantile(self, at):
        return np.full(np.shape(at), self.value)


def limits_as_seen(table):
    """The odds ratio as seen and its limits (Woolf 1955)."""
    log, half = float(table.log_odds_ratio()), 1.959964 * float(table.error())
    return [float(v) for v in np.exp([log, log - half, log + half])]


def uniform(low, high):
    return Trapezoidal(low, low, high, high)


def test_simple_correction_by_hand():
    # Of 100 cases 34 are seen exposed, of 200 others 36. With 8 in 10 exposed and 9 in 10 unexposed read rightly,
    # (34 - 10) / (7/10) = 240/7 cases and (36 - 20) / (7/10) = 160/7 others are truly exposed.
    found = correct_table(Table(34, 66, 36, 164), 0.8, 0.9).cells()
    truth = [Fraction(240, 7), Fraction(460, 7), Fraction(160, 7), Fraction(1240, 7)]
    assert np.ravel(found).tolist() == pytest.approx([float(f) for f in truth])


@pytest.mark.parametrize(
    ("errors", "why"),
    [
        ((0.9, 0.6), "fewer seen exposed than false alarms alone would give"),
        ((0.3, 1), "more truly exposed than there are cases"),
        ((0.5, 0.5), "a record that is wrong as often as right"),
    ],
)
def test_impossible_errors_have_no_table(errors, why):
    found = correct_table(Table(34, 66, 36, 164), *errors).cells()
    assert np.isnan(found).all(), why


def test_published_simple_correction():
    """Chu et al. 2006: 5.02 with 0.94 and 0.97; the further digits are the package's print."""
    found = correct_table(CHU, 0.94, 0.97)
    assert np.exp(found.log_odds_ratio()) == pytest.approx(5.024508, abs=1e-6)


def test_published_probabilistic_correction():
    """The vignette's print, 50,000 draws: 0.9254 (0.8478 to 0.9488), with chance 0.9226 (0.6635 to 1.1894)."""
    found = probabilistic(FINK, sensitivity=uniform(0.7, 0.95), specificity=uniform(0.9, 0.99), draws=50_000, seed=1)
    assert found.impossible == 0
    assert _values(found.systematic) == pytest.approx([0.9253996, 0.8478414, 0.9487841], abs=0.001)
    assert _values(found.total) == pytest.approx([0.9226182, 0.6635342, 1.1894274], abs=0.006)


def test_published_probabilistic_correction_with_impossible_draws():
    """Prints of 20,000 draws: 39 and 55 discarded in two runs; 7.75 and 7.80 (5.03 to 35.2)."""
    prior = Trapezoidal(0.75, 0.85, 0.95, 1)
    found = probabilistic(CHU, sensitivity=prior, specificity=prior, draws=20_000, seed=1)
    assert 30 <= found.impossible <= 70
    assert _values(found.systematic) == pytest.approx([7.77, 5.03, 35.2], rel=0.02)


def test_no_error_moves_nothing():
    found = probabilistic(CHU, sensitivity=Fixed(1), specificity=Fixed(1), draws=20_000, seed=3)
    assert _values(found.systematic) == pytest.approx([126 * 224 / 92 / 71] * 3)
    assert _values(found.total) == pytest.approx(limits_as_seen(CHU), rel=0.02)
    assert found.impossible == 0


def test_nothing_possible_is_refused():
    with pytest.raises(ValueError, match="no draw"):
        probabilistic(Table(5, 95, 5, 95), sensitivity=Fixed(0.9), specificity=Fixed(0.8), draws=10, seed=1)


def test_the_seed_alone_decides():
    runs = [
        probabilistic(CHU, sensitivity=uniform(0.8, 1), specificity=Fixed(1), draws=200, seed=seed)
        for seed in (1, 1, 2)
    ]
    assert runs[0] == runs[1] != runs[2]


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
    one, other = draw_alike(Beta(3, 2), uniform(0.2, 0.6), correlation=0.8, n=20_000, rng=rng)
    assert kstest(one, _beta_cdf).pvalue > 0.001
    assert kstest(other, lambda x: np.clip((x - 0.2) / 0.4, 0, 1)).pvalue > 0.001
    assert 0.75 < np.corrcoef(one, other)[0, 1] < 0.82
    same, again = draw_alike(Beta(3, 2), Beta(3, 2), correlation=1, n=5, rng=rng)
    assert same.tolist() == again.tolist()


def test_unseen_of_by_law():
    # 40 seen where half are seen: 40 unseen on average, variance 40 * (1 - 1/2) / (1/2)^2 = 80.
    drawn = unseen_of(40, np.full(100_000, 0.5), np.random.default_rng(2))
    assert drawn.mean() == pytest.approx(40, abs=0.15)
    assert drawn.var() == pytest.approx(80, rel=0.03)
    assert unseen_of(40, np.ones(3), np.random.default_rng(2)).tolist() == [0, 0, 0]
    assert unseen_of(0, np.full(3, 0.1), np.random.default_rng(2)).tolist() == [0, 0, 0]


def test_range_of_no_draws_is_not_a_number():
    assert np.isnan(_values(range_of(np.array([])))).all()


def test_known_truth_is_held_as_often_as_said():
    """200 studies of a true odds ratio of 2 whose exposure is misread by errors drawn from the priors themselves."""
    rng = np.random.default_rng(11)
    sensitivity, specificity = uniform(0.7, 0.95), uniform(0.95, 1)
    held = naive = 0
    for study in range(200):
        se, sp = (float(p.quantile(rng.random(1))[0]) for p in (sensitivity, specificity))
        cells = []
        for share, n in ((0.5, 600), (1 / 3, 600)):
            truly = rng.binomial(n, share)
            seen = rng.binomial(truly, se) + rng.binomial(n - truly, 1 - sp)
            cells += [seen, n - seen]
        found = probabilistic(Table(*cells), sensitivity=sensitivity, specificity=specificity, draws=500, seed=study)
        held += found.total.low <= 2 <= found.total.high
        _, low, high = limits_as_seen(Table(*cells))
        naive += low <= 2 <= high
    assert held >= 184  # 95 % of 200 less two binomial errors
    assert naive < held


def _values(found):
    return [found.median, found.low, found.high]


def _beta_cdf(x):
    # Beta(3, 2): the integral of 12 x^2 (1 - x).
    return 4 * x**3 - 3 * x**4
