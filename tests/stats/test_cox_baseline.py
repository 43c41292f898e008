from dataclasses import replace

import numpy as np
import pytest
from cox_reference import CASES, columns, expected

from pipeline.stats.cox import fit_cox
from pipeline.stats.cox_baseline import baseline_hazard, predict_survival

teeth = [[0, 1, 50], [1, 1, 50]]
patients = [[0, 13, 1.1], [1, 13, 1.1]]
predictions = {
    "sim": (CASES["cox", "sim"], teeth, {}),
    "sim_breslow": (replace(CASES["cox", "sim"], ties="breslow"), teeth, {}),
    "sim_efronfit_breslowbase": (CASES["cox", "sim"], teeth, {"estimator": "breslow"}),
    "sim_entry": (CASES["cox", "sim_entry"], teeth, {}),
    "sim_entry_breslowbase": (CASES["cox", "sim_entry"], teeth, {"estimator": "breslow"}),
    "mgus2_age": (CASES["cox", "mgus2_age"], patients, {"start_day": 480}),
    "mgus2_age_breslowbase": (CASES["cox", "mgus2_age"], patients, {"start_day": 480, "estimator": "breslow"}),
    "lung": (replace(CASES["cox", "lung"], covariates=columns("age", "sex")), [[60, 1], [60, 2]], {}),
}


@pytest.mark.parametrize("name", predictions)
def test_predicted_survival_equals_r(name):
    case, profiles, options = predictions[name]
    r = expected("pred", name)
    got = predict_survival(case.fit(), profiles, days=r["time"], limits="log", **options)
    for column, theirs in {"survival": "surv", "std_error": "std.err", "lower": "lower", "upper": "upper"}.items():
        assert np.allclose(got[column].to_numpy().reshape(2, -1).T, r[theirs], rtol=0, atol=1e-12)


def test_predicted_survival_by_hand():
    # Without an effect (x is 0 and 1 equally often among those at risk at the only failures, days 2 and 4) the Breslow
    # hazard is 1/4 at day 2 and 1/2 at day 4, whoever it is for.
    fit = fit_cox([[0], [1], [1], [0]], [2, 3, 4, 5], [1, 0, 1, 0], names=["x"], ties="breslow")
    assert fit.coef[0] == pytest.approx(0)
    got = predict_survival(fit, [[0]], days=[0, 1, 2, 3, 4, 5, 6])
    steps = [0, 0, 1 / 4, 1 / 4, 3 / 4, 3 / 4]
    assert got["survival"].to_list() == pytest.approx([*np.exp(-np.array(steps)), None])
    assert got["at_risk"].to_list() == [4, 4, 4, 3, 2, 1, 0]
    # The effect's own variance is 1/(1/4 + 1/4); at x = 0, half a unit below the mean, it adds (H/2)^2 times that.
    error = [np.sqrt((1 / 16 + 1 / 4) + 2 * (3 / 4 / 2) ** 2) * np.exp(-3 / 4)]
    assert got["std_error"].to_list()[4] == pytest.approx(*error)


def test_log_log_limits_stay_inside_and_end_with_follow_up():
    fit = CASES["cox", "sim_entry_cluster"].fit()
    got = predict_survival(fit, [[1, 1, 60]], days=[0, 365, 3650, 10**6])
    assert got["lower"].null_count() == 2
    inner = got.slice(1, 2)
    assert (inner["lower"] > 0).all()
    assert (inner["lower"] < inner["survival"]).all()
    assert (inner["survival"] < inner["upper"]).all()
    assert (inner["upper"] < 1).all()
    assert got["survival"].to_list()[0] == 1
    assert got["survival"].to_list()[3] is None


def test_baseline_is_survival_at_the_mean_and_counts_those_at_risk():
    case = CASES["cox", "sim_entry_strata"]
    fit = case.fit()
    (x, exit_days, _), options = case.arrays()
    table = baseline_hazard(fit)
    assert table["stratum"].unique().sort().to_list() == [0, 1, 2]
    assert table["n_events"].sum() == fit.n_events
    row = table.row(100, named=True)
    entry, arch = options["entry_days"], options["strata"]
    at_risk = (entry < row["time_days"]) & (exit_days >= row["time_days"]) & (arch == row["stratum"])
    assert row["at_risk"] == at_risk.sum()
    mean = predict_survival(fit, x.mean(axis=0), days=[row["time_days"]], strata=row["stratum"])
    assert mean["cumulative_hazard"].item() == pytest.approx(row["cumulative_hazard"])
    assert mean["std_error"].item() == pytest.approx(row["std_error"] * mean["survival"].item())


def test_prediction_refuses_what_it_cannot_answer():
    fit = CASES["cox", "sim_entry_strata"].fit()
    with pytest.raises(ValueError, match="name the stratum"):
        predict_survival(fit, [[0, 1, 50]], days=[365])
    with pytest.raises(ValueError, match="1 strata are not in the fit"):
        predict_survival(fit, [[0, 1, 50]], days=[365], strata=7)
    with pytest.raises(ValueError, match="finite value of each of grp, molar, age"):
        predict_survival(fit, [[0, 1]], days=[365], strata=1)
