import numpy as np
import pytest

from pipeline.stats.logistic import fit_logistic

# Launch temperature (F) and whether any O-ring showed distress, 23 launches: Dalal SR, Fowlkes EB, Hoadley B. Risk
# analysis of the space shuttle: pre-Challenger prediction of failure. J Am Stat Assoc 1989;84:945-957.
TEMPERATURE = "66 70 69 68 67 72 73 70 57 63 70 78 67 53 67 75 70 81 76 79 75 76 58"
DISTRESS = "0 1 0 0 0 0 0 0 1 1 1 0 0 1 0 0 0 0 0 0 1 0 1"


def numbers(text: str) -> np.ndarray:
    return np.array(text.split(), dtype=float)


def one(values) -> np.ndarray:
    return np.asarray(values, dtype=float)[:, None]


def test_published_fit():
    """15.0429 - 0.2322 * temperature; errors 7.3786, 0.1082; deviances 28.267, 20.315 (from memory; R's glm agrees)."""
    fit = fit_logistic(one(numbers(TEMPERATURE)), numbers(DISTRESS), names=["temperature"])
    assert fit.names == ("intercept", "temperature")
    assert fit.coef.round(4).tolist() == [15.0429, -0.2322]
    assert fit.se.round(4).tolist() == [7.3786, 0.1082]
    assert (round(fit.null_deviance, 3), round(fit.deviance, 3)) == (28.267, 20.315)
    assert fit.converged


def test_two_by_two_table_by_hand():
    # 6 of 10 smokers treated, 5 of 20 others: log odds ratio log(6/4 * 15/5), variance 1/6 + 1/4 + 1/5 + 1/15.
    smoker, treated = np.repeat([1, 1, 0, 0], [6, 4, 5, 15]), np.repeat([1, 0, 1, 0], [6, 4, 5, 15])
    fit = fit_logistic(one(smoker), treated, names=["smoker"])
    assert fit.coef == pytest.approx([np.log(5 / 15), np.log(4.5)])
    assert fit.se**2 == pytest.approx([1 / 5 + 1 / 15, 1 / 6 + 1 / 4 + 1 / 5 + 1 / 15])
    assert np.unique(fit.probability) == pytest.approx([0.25, 0.6])
    # The four cells once each, weighted by their counts.
    cells = fit_logistic(one([1, 1, 0, 0]), [1, 0, 1, 0], names=["smoker"], weights=[6, 4, 5, 15])
    assert cells.coef == pytest.approx(fit.coef)
    assert cells.cov == pytest.approx(fit.cov)
    assert cells.deviance == pytest.approx(fit.deviance)


@pytest.mark.parametrize(
    ("x", "treated", "separated"),
    [
        ([[1, 5], [2, 1], [3, 4], [4, 2]], [0, 0, 1, 1], ("a", "b")),  # two columns in four rows: any outcome
        ([[1, 5], [1, 1], [0, 4], [0, 1], [0, 5], [0, 3]], [1, 1, 0, 1, 1, 0], ("a",)),  # all with a were treated
        ([[0, 1], [1, 0], [1, 1], [0, 0], [0, 0]], [0, 0, 0, 1, 0], ("a", "b")),  # none with a or b, some without
    ],
)
def test_separation_is_detected_and_named(x, treated, separated):
    fit = fit_logistic(np.array(x, dtype=float), treated, names=["a", "b"])
    assert not fit.converged
    assert set(fit.separated) <= set(separated)
    assert "a" in fit.separated
    assert np.isnan(fit.se).all()


def test_rare_but_not_separated_converges():
    # One of 2,000 without the mark is treated, and one of 2 with it: far apart, and finite.
    mark, treated = np.repeat([0, 0, 1, 1], [1, 1999, 1, 1]), np.repeat([1, 0, 1, 0], [1, 1999, 1, 1])
    fit = fit_logistic(one(mark), treated, names=["mark"])
    assert fit.converged
    assert fit.separated == ()
    assert fit.coef == pytest.approx([-np.log(1999), np.log(1999)])


def test_units_and_row_order_change_nothing():
    rng = np.random.default_rng(1)
    x = rng.normal(size=(300, 2))
    treated = rng.random(300) < 1 / (1 + np.exp(-x[:, 0]))
    fit = fit_logistic(x, treated, names=["a", "b"])
    order = rng.permutation(300)
    other = fit_logistic(x[order] * [1000, 1] + [5, 0], treated[order], names=["a", "b"])
    assert other.coef[1:] * [1000, 1] == pytest.approx(fit.coef[1:], abs=1e-10)
    assert other.probability == pytest.approx(fit.probability[order], abs=1e-12)


def test_input_that_fits_nothing_is_refused():
    with pytest.raises(ValueError, match=r"Constant covariates .* a\."):
        fit_logistic(one([0.1, 0.1, 0.1]), [0, 1, 0], names=["a"])
    with pytest.raises(ValueError, match=r"follow from the covariates before them: b\."):
        fit_logistic([[0, 1], [1, 3], [2, 5], [1, 3]], [0, 1, 0, 0], names=["a", "b"])
    with pytest.raises(ValueError, match="1 of 3 rows have no finite value of a"):
        fit_logistic(one([1, 2, np.nan]), [0, 1, 0], names=["a"])
    with pytest.raises(ValueError, match="2 of 3 rows have an outcome"):
        fit_logistic(one([1, 2, 3]), [1, 2, 2], names=["a"])
    with pytest.raises(ValueError, match="same in all"):
        fit_logistic(one([1, 2, 3]), [1, 1, 1], names=["a"])
    with pytest.raises(ValueError, match="weights"):
        fit_logistic(one([1, 2, 3]), [1, 0, 1], names=["a"], weights=[1, 0, 1])
