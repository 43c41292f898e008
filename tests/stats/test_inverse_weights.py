import numpy as np
import pytest

from pipeline.stats.balance import balance_table
from pipeline.stats.cox import fit_cox
from pipeline.stats.differences import Group, survival_difference
from pipeline.stats.inverse_weights import effective_sample_size, stabilised_weights
from pipeline.stats.kaplan_meier import kaplan_meier
from pipeline.stats.logistic import fit_logistic


def test_weights_by_hand():
    # 2 of 4 treated: 1/2 over the probability of what each received.
    found = stabilised_weights([1, 1, 0, 0], [0.8, 0.5, 0.5, 0.2], quantiles=(0, 1))
    assert found.values == pytest.approx([0.625, 1, 1, 0.625])
    assert found.n_truncated == 0
    assert effective_sample_size(found.values[:2]) == pytest.approx(1.625**2 / (0.625**2 + 1))
    assert effective_sample_size([2, 2, 2]) == pytest.approx(3)
    assert effective_sample_size([1, 0]) == pytest.approx(1)


def test_tails_are_set_back_to_their_quantiles():
    # Weights 0.5 / p before: 0.5, 1, 1.25, 5 of the treated, 0.5 / (1 - p) of the others.
    treated, probability = np.repeat([1, 0], 5), np.concatenate(([0.1, 0.4, 0.5, 0.6, 0.9], [0.1, 0.4, 0.5, 0.6, 0.95]))
    raw = np.where(treated == 1, 0.5 / probability, 0.5 / (1 - probability))
    found = stabilised_weights(treated, probability, quantiles=(0.1, 0.9))
    low, high = np.quantile(raw, [0.1, 0.9])
    assert (found.low, found.high) == pytest.approx((low, high))
    # Below the 10% point lies 0.5/0.9 twice, which ties with it; above the 90% point the 10 alone.
    assert found.n_truncated == np.count_nonzero((raw < low) | (raw > high))
    assert found.values.max() == pytest.approx(high)
    assert found.values[raw <= high] == pytest.approx(np.maximum(raw[raw <= high], low))


def test_weights_of_a_saturated_model_balance_exactly_and_keep_the_numbers():
    smoker, treated = np.repeat([1, 1, 0, 0], [6, 4, 5, 15]), np.repeat([1, 0, 1, 0], [6, 4, 5, 15])
    fit = fit_logistic(smoker[:, None], treated, names=["smoker"])
    found = stabilised_weights(treated, fit.probability, quantiles=(0, 1))
    assert found.values.mean() == pytest.approx(1)
    assert found.values[treated == 1].sum() == pytest.approx(11)
    table = balance_table(smoker[:, None], treated, found.values, names=["smoker"])
    assert table["after"][0] == pytest.approx(0, abs=1e-12)


def confounded(n: int, seed: int) -> dict[str, np.ndarray]:
    """Crowns in pairs of one patient. A risk doubles the hazard and favours treatment, which itself does nothing."""
    rng = np.random.default_rng(seed)
    patient = np.repeat(np.arange(n // 2), 2)
    risk, age = (rng.random(n // 2) < 0.4)[patient], rng.normal(size=n // 2)[patient]
    treated = rng.random(n) < 1 / (1 + np.exp(-(-1 + 1.5 * risk + 0.5 * age)))
    lasted = np.ceil(rng.exponential(2000 / np.exp(np.log(2) * risk + 0.3 * age)))
    seen = rng.integers(500, 3000, n)
    x = np.column_stack([risk, age]).astype(float)
    return {"x": x, "treated": treated, "exit": np.minimum(lasted, seen), "event": lasted <= seen, "patient": patient}


def test_weighted_curves_and_cox_undo_the_confounding_with_errors_by_patient():
    d = confounded(12_000, 3)
    treated = d["treated"]
    fit = fit_logistic(d["x"], treated, names=["risk", "age"])
    weights = stabilised_weights(treated, fit.probability).values
    table = balance_table(d["x"], treated, weights, names=["risk", "age"])
    assert table["before"].min() > 0.4
    assert table["after"].max() < 0.05  # the tails set back leave a little

    def side(chosen: np.ndarray, weight: np.ndarray) -> Group:
        return Group(d["exit"][chosen], d["event"][chosen], weights=weight[chosen], cluster=d["patient"][chosen])

    crude, adjusted = (
        survival_difference(side(treated, w), side(~treated, w), [1000]) for w in (np.ones(len(weights)), weights)
    )
    assert crude.high[0] < -0.08
    assert adjusted.low[0] < 0 < adjusted.high[0]
    curve = kaplan_meier(d["exit"], d["event"], weights=weights, cluster=d["patient"])
    assert curve.n_units == 6000
    # Only the ratios of weights matter to an error by patient; one that took weights for crowns would shrink.
    double = kaplan_meier(d["exit"], d["event"], weights=2 * weights, cluster=d["patient"])
    assert double.std_error == pytest.approx(curve.std_error, nan_ok=True)
    cox, cox_double = (
        fit_cox(treated[:, None], d["exit"], d["event"], names=["treated"], weights=k * weights, cluster=d["patient"])
        for k in (1, 2)
    )
    assert cox.n_clusters == 6000
    assert abs(cox.coef[0]) < 2 * cox.se()[0]
    assert cox_double.se() == pytest.approx(cox.se())


def test_input_that_gives_no_weights_is_refused():
    with pytest.raises(ValueError, match="both excluded"):
        stabilised_weights([1, 0], [1.0, 0.5])
    with pytest.raises(ValueError, match="empty"):
        stabilised_weights([1, 1], [0.5, 0.5])
    with pytest.raises(ValueError, match="in order"):
        stabilised_weights([1, 0], [0.5, 0.5], quantiles=(0.9, 0.1))
